// Keeps the page live: an event says that something changed, then the server's own fragment replaces what is shown.
// Without events it asks every few seconds; without this script the page reloads by itself.
"use strict";
(() => {
  const POLL = 10000;
  const SILENCE = 45000;
  const LEAST = 2000;
  const line = document.getElementById("link-state");
  const part = () => document.getElementById("live");
  if (!part() || !line) return;
  let heard = Date.now();
  let busy = false;
  let again = false;
  let timer = 0;
  let stream = null;
  let asked = 0;
  let soon = 0;
  let wanted = "";
  let broken = false;
  let first = true;
  let over = false;

  const say = (text, mild = false) => {
    if (line.textContent !== text) line.textContent = text;
    line.classList.toggle("mild", mild);
    line.hidden = text === "";
  };
  const clock = new Intl.DateTimeFormat("en-GB", {
    timeZone: line.dataset.zone, hour: "2-digit", minute: "2-digit", second: "2-digit", timeZoneName: "short",
  });

  const typing = () => {
    const at = document.activeElement;
    if (at && part().contains(at) && at.matches("input, textarea, select")) return true;
    return [...part().querySelectorAll("input:not([type=hidden])")].some((input) => input.value !== input.defaultValue);
  };

  const swap = (html) => {
    const fresh = new DOMParser().parseFromString(html, "text/html").getElementById("live");
    if (!fresh) return;
    const open = new Set([...part().querySelectorAll("details[open][id]")].map((item) => item.id));
    const shut = new Set([...part().querySelectorAll("details:not([open])[id]")].map((item) => item.id));
    const at = document.activeElement;
    const focused = at && part().contains(at) ? at : null;
    const href = focused ? focused.getAttribute("href") : null;
    const owner = focused && focused.matches("summary") ? focused.parentElement.id : "";
    for (const item of fresh.querySelectorAll("details[id]")) {
      if (open.has(item.id)) item.open = true;
      if (shut.has(item.id)) item.open = false;
    }
    part().replaceWith(fresh);
    if (href) [...fresh.querySelectorAll("a")].find((link) => link.getAttribute("href") === href)?.focus({ preventScroll: true });
    if (owner) document.getElementById(owner)?.querySelector("summary")?.focus({ preventScroll: true });
    if ((fresh.dataset.events || "") !== wanted) listen();
  };

  const refresh = async () => {
    if (over) return;
    if (busy) { again = true; return; }
    if (typing()) {
      if (Date.now() - heard > SILENCE) say(`Held still while you type: what stands here is from ${clock.format(heard)}.`, true);
      return;
    }
    const early = asked + LEAST - Date.now();
    if (early > 0) { clearTimeout(soon); soon = setTimeout(refresh, early); return; }
    busy = true;
    asked = Date.now();
    try {
      const answer = await fetch(part().dataset.fragment, { headers: { Accept: "text/html" }, cache: "no-store" });
      if (answer.status === 401) { ended(); return; }
      if (!answer.ok) throw new Error(String(answer.status));
      const html = await answer.text();
      heard = Date.now();
      if (!typing()) swap(html);
      if (broken) say(`The live connection is broken; this page asks every ${POLL / 1000} s instead.`, true);
      else say("");
    } catch {
      lost();
    } finally {
      busy = false;
      if (again) { again = false; refresh(); }
    }
  };

  const lost = () => say(`No answer from Tallywire since ${clock.format(heard)}. What stands here is old.`);

  // The session is over: asking on would change nothing, and what stands here must not be taken for now.
  const ended = () => {
    if (stream) stream.close();
    clearInterval(timer);
    clearTimeout(soon);
    over = true;
    say(`Signed out at ${clock.format(Date.now())}. What stands here is old: reload the page and sign in.`);
  };

  const poll = (every) => {
    clearInterval(timer);
    if (!over) timer = setInterval(refresh, every);
  };

  const listen = () => {
    const from = part().dataset.events;
    wanted = from || "";
    if (stream) stream.close();
    const every = Number(part().dataset.every || 0) * 1000;
    if (!from || !window.EventSource) { poll(every || POLL); return; }
    stream = new EventSource(from);
    // The first event comes at once and tells the state at this moment: where nothing has happened since the page was made,
    // there is nothing to ask for. While events flow, asking is only the safety net.
    stream.addEventListener("change", (event) => {
      const known = first && JSON.parse(event.data).news === part().dataset.news;
      first = broken = false;
      poll(3 * POLL);
      if (!known) refresh();
    });
    stream.addEventListener("error", () => { broken = true; poll(POLL); refresh(); });
    poll(POLL);
  };

  document.addEventListener("visibilitychange", () => { if (!document.hidden && Date.now() - heard > SILENCE) refresh(); });
  window.addEventListener("pagehide", () => { if (stream) stream.close(); });
  listen();
})();
