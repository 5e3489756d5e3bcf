// Parts of a page that take a while to work out: fetched once the page stands, and put in their place.
const LONGEST_MS = 90000;

function say(place, text) {
  const said = Object.assign(document.createElement("p"), { textContent: text });
  said.setAttribute("role", "alert");
  place.replaceChildren(said);
}

async function fill(place) {
  const answer = await fetch(place.dataset.later, { headers: { Accept: "text/html" }, signal: AbortSignal.timeout(LONGEST_MS) });
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const found = page.querySelector("[data-answer]");
  if (!answer.ok || !found) {
    say(place, page.querySelector("main [role=alert]")?.textContent ?? "The service could not work it out.");
    return;
  }
  place.replaceChildren(...[...found.childNodes].map((node) => document.importNode(node, true)));
  delete place.dataset.later;
  document.dispatchEvent(new CustomEvent("filled", { detail: place }));
}

for (const place of document.querySelectorAll("[data-later]")) {
  try {
    await fill(place);
  } catch {
    say(place, "The service did not answer in time; load the page again.");
  }
}
