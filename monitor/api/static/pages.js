// Keeps an open page true: live changes, how old the page is, forms without a reload. Pages work without it.
"use strict";
(() => {
  const MINUS = "\u2212", NO_BREAK = "\u00a0";
  const OLD_MS = 45000; // three of the server's signs of life
  const stale = document.getElementById("stale");
  const follows = document.querySelector("[data-follows]");
  let heard = Date.now(), fetching = false, again = false, due = 0, refreshed = 0, cells = null;

  // The name somebody gave once is offered again on this device.
  function remember(scope) {
    for (const input of scope.querySelectorAll("input[data-remember]")) {
      try { if (!input.value) input.value = localStorage.getItem("name") || ""; } catch { /* no storage, no offer */ }
    }
  }

  const busy = (part) =>
    [...part.querySelectorAll("input:not([data-remember]):not([type=hidden]), textarea")]
      .some((field) => field.value !== field.defaultValue) ||
    (part.contains(document.activeElement) && document.activeElement.matches("input, textarea, select"));

  function swap(page, force) {
    for (const part of document.querySelectorAll("[data-live]")) {
      const newer = page.getElementById(part.id);
      if (!newer || newer.isEqualNode(part)) continue;
      if (!force && busy(part)) { // never take away what somebody is writing
        const said = part.querySelector("[role=status]"), says = newer.querySelector("[role=status]");
        if (said && says) said.textContent = says.textContent;
        continue;
      }
      const open = [...part.querySelectorAll("details[open] > summary")].map((summary) => summary.textContent);
      const focused = part.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
      part.replaceWith(newer);
      for (const summary of newer.querySelectorAll("details > summary")) {
        if (open.includes(summary.textContent)) summary.parentElement.open = true;
      }
      if (focused) newer.querySelector(`a[href="${CSS.escape(focused)}"]`)?.focus();
      remember(newer);
    }
    watchForm();
    cells = null;
  }

  async function refresh(force = false) {
    if (fetching) { again = true; return; }
    fetching = true;
    refreshed = Date.now();
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" }, cache: "no-store" });
      if (answer.ok) swap(new DOMParser().parseFromString(await answer.text(), "text/html"), force);
    } catch { /* the stale notice says so */ } finally {
      fetching = false;
      if (again) { again = false; soon(); }
    }
  }

  // The first change shows at once; a storm of them makes one refresh every few seconds, not a hundred.
  function soon() {
    const wait = Math.max(200, refreshed + 2500 - Date.now());
    if (!due) due = setTimeout(() => { due = 0; refresh(); }, wait);
  }

  // Hundreds of values a second on a large fleet: looked up once, not searched each time.
  function places() {
    cells = new Map();
    for (const cell of document.querySelectorAll("[data-unit][data-signal]")) {
      const key = `${cell.dataset.unit} ${cell.dataset.signal}`;
      cells.set(key, [...(cells.get(key) || []), cell]);
    }
    return cells;
  }

  function show(reading) {
    for (const cell of (cells || places()).get(`${reading.unit} ${reading.signal}`) || []) {
      if ("switch" in cell.dataset) continue; // its words come with the next refresh
      const value = reading.value * cell.dataset.factor + Number(cell.dataset.offset);
      const digits = value.toFixed(cell.dataset.decimals);
      const plain = Number(digits) === 0 ? digits.replace("-", "") : digits.replace("-", MINUS);
      cell.textContent = `${plain}${NO_BREAK}${cell.dataset.symbol}`;
      cell.parentElement.querySelector(".age")?.remove();
    }
  }

  function listen() {
    if (!follows || !window.EventSource) return;
    const unit = follows.dataset.follows;
    const after = `after=${encodeURIComponent(document.getElementById("made").dataset.after)}`; // misses nothing since
    const only = unit === "all" ? "" : `&unit=${encodeURIComponent(unit)}`;
    const source = new EventSource(`/api/v1/events?${after}${only}`);
    let lost = false;
    const hear = () => { heard = Date.now(); tell(); };
    source.addEventListener("open", () => { hear(); if (lost) { lost = false; soon(); } });
    source.addEventListener("error", () => { lost = true; tell(); });
    source.addEventListener("alive", hear);
    source.addEventListener("lagging", () => { hear(); soon(); });
    for (const kind of ["alarm", "call-out", "unit"]) source.addEventListener(kind, () => { hear(); soon(); });
    source.addEventListener("reading", (event) => { hear(); JSON.parse(event.data).readings.forEach(show); });
    window.addEventListener("pagehide", () => source.close());
  }

  function tell() {
    if (!stale) return;
    const silent = Date.now() - heard;
    stale.hidden = silent < OLD_MS;
    if (!stale.hidden) {
      const minutes = Math.floor(silent / 60000);
      const age = minutes < 1 ? "nearly a minute" : minutes < 120 ? `${minutes} min` : `${Math.floor(minutes / 60)} h`;
      const says = `This page is ${age} old: the connection to the program is lost. Trying again.`;
      if (stale.textContent !== says) stale.textContent = says;
    }
  }

  async function send(form) {
    const button = form.querySelector("button"), refusal = document.querySelector(".refusal");
    const body = {};
    for (const [name, value] of new FormData(form)) body[name === "note" ? form.dataset.note || "note" : name] = value;
    button.disabled = true;
    try {
      const answer = await fetch(form.dataset.api, {
        method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body),
      });
      if (answer.ok) { await refresh(true); document.querySelector("#answer [role=status]")?.scrollIntoView({ block: "center" }); return; }
      const problem = await answer.json();
      refusal.textContent = `${problem.detail} ${problem.what_to_do}`;
    } catch {
      refusal.textContent = "It did not get through: no connection to the program. Your words are still here; try again.";
    } finally { button.disabled = false; }
    refusal.hidden = false;
    refusal.scrollIntoView({ block: "center" });
  }

  document.addEventListener("submit", (event) => {
    const form = event.target, name = form.querySelector("input[data-remember]");
    try { if (name) localStorage.setItem("name", name.value.trim()); } catch { /* no storage */ }
    if (form.dataset.api) { event.preventDefault(); send(form); }
  });

  // The bar under the thumb leads to the form, and steps aside while the form is in view.
  let watcher = null;
  function watchForm() {
    watcher?.disconnect();
    const thumb = document.querySelector("a.thumb"), form = document.querySelector("#answer form button");
    if (!thumb || !form) return;
    watcher = new IntersectionObserver(([seen]) => thumb.classList.toggle("away", seen.isIntersecting));
    watcher.observe(form);
  }

  remember(document);
  watchForm();
  listen();
  setInterval(tell, 5000);
  setInterval(soon, 60000); // ages and the place of now move on without any event
})();
