// A barcode scanner types like a very fast keyboard and ends with Enter. Its codes are caught wherever the focus is, and they
// never press a button: keys that follow each other faster than fingers can do not reach the page's controls.
const BURST_MS = 35; // scanners send a key every 7 to 16 ms; fingers need more than 50
const SHORTEST = 4;
const REPEAT_MS = 2000;
const CALM_MS = 80;

export class Scanner {
  // shortest: keys of the shortest code. exact: keep letters as they were typed; serial numbers are made upper case.
  constructor(field, onCode, { shortest = SHORTEST, exact = false } = {}) {
    this.field = field;
    this.onCode = onCode;
    this.shortest = shortest;
    this.exact = exact;
    this.burst = "";
    this.keys = 0;
    this.lastKey = 0;
    this.lastCode = "";
    this.lastAt = -REPEAT_MS;
    document.addEventListener("keydown", (event) => this.down(event), true);
    document.addEventListener("keyup", (event) => this.up(event), true);
  }
  accept(raw) {
    const code = this.exact ? raw.trim() : raw.trim().toUpperCase();
    const now = performance.now();
    const repeated = code === this.lastCode && now - this.lastAt < REPEAT_MS;
    this.lastCode = code;
    this.lastAt = now;
    if (code && !repeated) { this.onCode(code); }
  }
  // Whether no further key comes: a key that pressed a button was pressed by a person and is no part of a code.
  async calm() {
    const before = this.keys;
    await new Promise((done) => setTimeout(done, CALM_MS));
    return this.keys === before;
  }
  down(event) {
    if (event.ctrlKey || event.altKey || event.metaKey) { return; }
    const fast = event.timeStamp - this.lastKey < BURST_MS; // when the key was struck, not when a busy page came to it
    this.lastKey = event.timeStamp;
    this.keys += 1;
    const control = event.target.matches("input, select, textarea") ? event.target : null;
    if (event.key === "Enter") {
      this.enter(event, fast, control);
    } else if (event.key.length === 1) {
      this.burst = fast ? this.burst + event.key : event.key;
      if (!control && (fast || event.key !== " ")) { event.preventDefault(); }
    }
  }
  enter(event, fast, control) {
    const code = fast && this.burst.length >= this.shortest ? this.burst : "";
    this.burst = "";
    if (!code && (!fast || control)) { return; }
    event.preventDefault();
    event.stopImmediatePropagation();
    if (!code) { return; }
    if (control && control.value.endsWith(code)) { control.value = control.value.slice(0, -code.length); }
    this.accept(code);
  }
  up(event) {
    if ([" ", "Enter"].includes(event.key) && this.burst.length > 1 && !event.target.matches("input, select, textarea")) {
      event.preventDefault();
    }
  }
}
