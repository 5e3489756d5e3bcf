// One event stream per page; tells when the page has lost touch with the service.
const STALE_MS = 4500; // the service pulses every 2 s; two may be late

export function clockIn(zone, date) {
  return new Intl.DateTimeFormat("en-GB", { timeZone: zone, hour: "2-digit", minute: "2-digit", second: "2-digit" }).format(date);
}

export function follow(address, kinds, onEvent, onReturn) {
  const banner = document.getElementById("stale");
  const zone = document.querySelector("meta[name=zone]").content;
  let heard = new Date();
  let lastId = null;
  let source = null;
  let retryAt = 0;

  function alive() {
    heard = new Date();
    if (!banner.hidden) {
      banner.hidden = true;
      document.body.classList.remove("stale-page");
      onReturn();
    }
  }
  function stale() {
    banner.textContent = `Stale since ${clockIn(zone, heard)}: the service does not answer. What is shown may be old; trying again.`;
    banner.hidden = false;
    document.body.classList.add("stale-page");
  }
  function open() {
    const after = lastId === null ? "" : `${address.includes("?") ? "&" : "?"}after=${encodeURIComponent(lastId)}`;
    source = new EventSource(address + after);
    for (const kind of kinds) {
      source.addEventListener(kind, (message) => {
        lastId = message.lastEventId || lastId;
        alive();
        onEvent(kind, JSON.parse(message.data));
      });
    }
    source.addEventListener("hello", alive);
    source.addEventListener("pulse", alive);
    source.addEventListener("error", () => {
      stale();
      if (source.readyState === EventSource.CLOSED) { retryAt = Date.now() + 1000; }
    });
  }
  open();
  setInterval(() => {
    if (Date.now() - heard > STALE_MS) { stale(); }
    if (source.readyState === EventSource.CLOSED && Date.now() > retryAt) { open(); }
  }, 500);
  addEventListener("pagehide", () => source.close());
}

export async function ask(method, address, body) {
  const headers = { Accept: "application/json" };
  const token = document.querySelector("meta[name=request-token]");
  if (token) { headers["X-Restpoint-Request"] = token.content; }
  if (body !== undefined) { headers["Content-Type"] = "application/json"; }
  let answer;
  try {
    answer = await fetch(address, { method, headers, body: body === undefined ? undefined : JSON.stringify(body), signal: AbortSignal.timeout(5000) });
  } catch (problem) {
    throw new Error("The service does not answer.", { cause: problem });
  }
  if (answer.status === 401) { location.assign(`/sign-in?next=${encodeURIComponent(location.pathname)}`); }
  const document_ = await answer.json();
  if (!answer.ok) { throw new Error(document_.detail); }
  return document_;
}
