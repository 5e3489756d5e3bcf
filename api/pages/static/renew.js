// Keeps the parts of a page that are marked as live up to date without a reload, as the station tells of events.
import { follow } from "/static/stream.js";

const PAUSE_MS = 500;
let asking = false, again = false;

function replace(part, newer) {
  const focused = part.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
  part.replaceChildren(...newer.childNodes);
  if (focused) { part.querySelector(`[href="${CSS.escape(focused)}"]`)?.focus(); }
}

async function renew() {
  if (asking) { again = true; return; }
  asking = true;
  try {
    const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (answer.ok) {
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      for (const part of document.querySelectorAll("[data-live]")) {
        const newer = fresh.querySelector(`[data-live="${part.dataset.live}"]`);
        if (newer && newer.innerHTML !== part.innerHTML) { replace(part, newer); }
      }
    }
  } catch {
    again = false; // the banner already says that the service is away; the next event renews
  }
  await new Promise((done) => setTimeout(done, PAUSE_MS));
  asking = false;
  if (again) { again = false; renew(); }
}
follow("/v1/events", ["rig", "run-started", "run-ended", "rework"], renew, renew);
