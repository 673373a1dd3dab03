"use strict";
// Keeps the page fresh, and its forms from being sent twice. The page does all it does without this, too.
(() => {
  const live = document.querySelector("[data-live]");
  const stale = document.getElementById("stale");

  if (location.search.includes("after=")) {
    history.replaceState(null, "", location.pathname);
  }

  document.addEventListener("submit", (event) => {
    if (event.target.dataset.sent) event.preventDefault();
    event.target.dataset.sent = "1";
  });
  window.addEventListener("pageshow", () => {
    for (const form of document.forms) delete form.dataset.sent;
  });

  if (!live || !window.EventSource) return;
  let wanted = false, busy = false, lost = 0;

  const connected = (yes) => {
    clearTimeout(lost);
    lost = 0;
    if (stale && yes) stale.hidden = true;
  };

  // What stands in the place of a control that had the focus: the one of its name, else of its words.
  const again = (control) => control.id ? document.getElementById(control.id)
    : [...live.querySelectorAll(control.tagName)].find((each) => each.textContent === control.textContent);

  const refresh = async () => {
    if (document.hidden || busy || document.querySelector("form[data-sent]")) return;
    busy = true;
    wanted = false;
    try {
      const answer = await fetch(location.pathname);
      if (!answer.ok || answer.redirected) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      const next = fresh.querySelector("[data-live]");
      if (!next) return;
      const open = [...live.querySelectorAll("details[open]")].map((each) => each.className);
      const here = live.contains(document.activeElement) ? document.activeElement : null;
      live.replaceChildren(...next.childNodes);
      for (const each of live.querySelectorAll("details")) each.open = open.includes(each.className);
      if (here) again(here)?.focus({ preventScroll: true });
      const foot = fresh.querySelector(".foot p");
      document.querySelector(".foot p")?.replaceWith(foot);
    } catch {
      // The stream says so when the connection is gone.
    } finally {
      busy = false;
    }
  };

  const stream = new EventSource(live.dataset.live);
  stream.addEventListener("open", () => connected(true));
  stream.addEventListener("changed", () => {
    wanted = true;
    refresh();
  });
  stream.addEventListener("error", () => {
    if (!lost && stale) lost = setTimeout(() => { stale.hidden = false; }, 8000);
  });
  document.addEventListener("visibilitychange", () => { if (wanted) refresh(); });
  window.addEventListener("pagehide", () => stream.close());
})();
