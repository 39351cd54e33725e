// The script of every page of the bench. It says "written down" only when the program has said so.
//
// window.bench = { act(kind, members, from), say(text, urgent), refresh(), nowIso(secondsAgo) }; after a refresh
// the document hears "bench:shown".
// Marks in the page:
//   form[data-act=KIND]        named inputs become members; a.b nests, a.0 makes a list; data-members (JSON) is
//                              what they are added to; data-done=clear empties the fields, data-done=ADDRESS
//                              opens that page. data-type of an input: list gathers checked boxes, none = an
//                              empty list when checked, cell sends {"cell": text}, number, json (the value read
//                              as JSON), yes (true or false), now (the time of sending).
//                              data-empty of an input: leave = an empty one is not sent, null = as null
//   button[data-act=KIND]      acts at once with data-members (keys: see keys.js)
//   [data-live=KEY]            replaced when the program shows it differently; [data-keep=KEY] survives that.
//                              What was typed is never lost: data-free marks inputs that may be
//   [data-ago] in a lane       an input with seconds: for what has data-timed, it happened that long ago
//   [data-acts]                where the last act and its "Take it back" stand
//   time[data-since=ISO]       counts up
"use strict";
(() => {
  const meta = (name, from = document) => from.querySelector(`meta[name="${name}"]`)?.content ?? "";
  const all = (what, from = document) => [...from.querySelectorAll(what)];
  const LOST = "No answer from the program: nothing is being logged";
  const SHOWN_MS = 4000, AGAIN_MS = 2000;
  let shownN = 0, clockAhead = 0, zone = "Z", shown = new Map(), asked = null, again = false, retry = 0, lostAt = -1;

  // -- saying ------------------------------------------------------------------------------------------
  function say(text, urgent = false) {
    const place = document.querySelector(urgent ? "[data-say-urgent]" : "[data-say]");
    if (place) { place.textContent = ""; requestAnimationFrame(() => { place.textContent = text; }); }
  }

  function link(state) {
    const place = document.querySelector("[data-link]"), lost = document.querySelector("[data-lost]");
    clearTimeout(retry);
    if (state === "lost") { retry = setTimeout(refresh, AGAIN_MS); lostAt = performance.now(); }
    if (!place || place.dataset.link === state) return;
    place.dataset.link = state;
    place.querySelector("[data-link-words]").textContent = state === "step" ? "In step" : "No answer";
    lost.hidden = state === "step";
    lost.textContent = state === "step" ? "" : LOST + ". Note times on paper until this line is gone.";
  }

  // -- the program's clock -----------------------------------------------------------------------------
  function setClock(iso) {
    const at = Date.parse(iso);
    if (Number.isNaN(at)) return;
    clockAhead = at - Date.now();
    zone = /([+-]\d\d:\d\d)$/.exec(iso)?.[1] ?? "Z";
  }

  function nowIso(secondsAgo = 0) {
    const at = Date.now() + clockAhead - secondsAgo * 1000;
    if (zone === "Z") return new Date(at).toISOString();
    const minutes = (zone[0] === "-" ? -1 : 1) * (Number(zone.slice(1, 3)) * 60 + Number(zone.slice(4)));
    return new Date(at + minutes * 60000).toISOString().replace("Z", zone);
  }

  function tick() {
    for (const clock of all("time[data-since]")) {
      const gone = Math.max(0, Math.floor((Date.now() + clockAhead - Date.parse(clock.dataset.since)) / 1000));
      if (Number.isNaN(gone)) continue;
      const two = (n) => String(n).padStart(2, "0");
      const text = `${Math.floor(gone / 3600)}:${two(Math.floor(gone / 60) % 60)}:${two(gone % 60)}`;
      if (clock.textContent !== text) clock.textContent = text;
    }
  }

  // -- acts --------------------------------------------------------------------------------------------
  async function act(kind, members, from = document.body) {
    let answer, told = {};
    try {
      answer = await fetch("/act", {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-Bench": meta("bench") },
        body: JSON.stringify({ kind, members }),
      });
      told = await answer.json().catch(() => ({}));
    } catch {
      link("lost");
      throw Object.assign(new Error(LOST), { what: LOST + ". This was not written down.", todo: "" });
    }
    if (!answer.ok) {
      const what = told.what || `The program refused this (${answer.status}). It was not written down.`;
      throw Object.assign(new Error(what), { what, todo: told.todo || "", code: told.code || "" });
    }
    shownN = Math.max(shownN, told.n || 0);
    lastAct(told, kind, from);
    say(told.words);
    refresh();
    return told;
  }

  function lastAct(told, kind, from) {
    const place = from.closest("[data-lane]")?.querySelector("[data-acts]")
      ?? document.querySelector("main [data-acts]:only-of-type") ?? document.querySelector("[data-acts]");
    if (!place) return;
    place.replaceChildren();
    const words = document.createElement("span");
    words.textContent = told.words;
    place.append(words);
    if (!told.undo || kind === "taken_back") return;
    const back = document.createElement("button");
    back.type = "button";
    back.className = "back";
    back.textContent = "Take it back";
    back.setAttribute("aria-label", `Take it back: ${told.words}`);
    back.dataset.act = "taken_back";
    back.dataset.members = JSON.stringify({ entry: told.n });
    place.append(" ", back);
  }

  function refusal(control, problem) {
    const holder = control.closest("form, .field, li, p, div") ?? control;
    clearRefusals(control.closest("[data-lane]") ?? document);
    const box = document.createElement("div");
    box.className = "refused";
    box.setAttribute("role", "alert");
    for (const text of [problem.what, problem.todo]) {
      if (!text) continue;
      const line = document.createElement("p");
      line.textContent = text;
      box.append(line);
    }
    const after = control.closest("form") === holder ? control : holder;
    after.after(box);
  }
  const clearRefusals = (from) => all(".refused", from).forEach((box) => box.remove());

  // The input of this lane when what is done now happened earlier; happened_at is put into members.
  function backdate(control, members) {
    const ago = control.hasAttribute("data-timed") && control.closest("[data-lane]")?.querySelector("[data-ago]");
    if (!ago || !(Number(ago.value) > 0)) return null;
    members.happened_at = nowIso(Number(ago.value));
    return ago;
  }

  function setAgo(ago, seconds) {
    ago.value = String(seconds);
    ago.dispatchEvent(new Event("input", { bubbles: true }));
  }

  async function press(button) {
    if (button.getAttribute("aria-disabled") === "true") return;
    const inLane = button.closest("[data-lane]"), members = JSON.parse(button.dataset.members || "{}");
    const ago = backdate(button, members);
    button.dataset.pending = String(Number(button.dataset.pending || 0) + 1);
    try {
      const told = await act(button.dataset.act, members, button);
      clearRefusals(inLane ?? document);
      acknowledged(button, told.words);
      if (ago) setAgo(ago, 0);
    } catch (problem) {
      refusal(button, problem);
    } finally {
      const left = Number(button.dataset.pending) - 1;
      if (left > 0) button.dataset.pending = String(left); else delete button.dataset.pending;
    }
  }

  function acknowledged(button, words) {
    const now = [button, ...all(`[data-key="${button.dataset.key ?? ""}"]`, button.closest("[data-lane]") ?? document)]
      .find((b) => b.isConnected);
    if (!now) return;
    clearTimeout(now.benchTimer);
    now.querySelector(".tick")?.remove();
    const tickMark = document.createElement("span");
    tickMark.className = "tick";
    tickMark.setAttribute("aria-hidden", "true");
    const label = now.querySelector(".act-words")?.textContent, time = /^\d\d:\d\d:\d\d/.exec(words)?.[0];
    tickMark.textContent = "\u2713 " + (label && time ? `${time} ${label}` : words);
    now.append(tickMark);
    now.dataset.done = "";
    now.benchTimer = setTimeout(() => { tickMark.remove(); delete now.dataset.done; }, SHOWN_MS);
  }

  // -- forms -------------------------------------------------------------------------------------------
  function put(members, name, value, more = false) {
    const parts = name.split("."), last = parts.pop();
    let into = members;
    parts.forEach((part, n) => { into = into[part] ??= /^\d+$/.test(parts[n + 1] ?? last) ? [] : {}; });
    if (more) { into[last] ??= []; if (value !== undefined) into[last].push(value); } else into[last] = value;
  }

  function membersOf(form) {
    const members = JSON.parse(form.dataset.members || "{}");
    for (const field of form.elements) {
      if (!field.name || field.disabled || field.type === "submit" || field.type === "button") continue;
      const kind = field.dataset.type, leave = field.dataset.empty === "leave";
      const box = field.type === "checkbox" || field.type === "radio";
      if (kind === "list") { if (field.checked || !leave) put(members, field.name, field.checked ? field.value : undefined, true); }
      else if (kind === "none") { if (field.checked) put(members, field.name, undefined, true); }
      else if (kind === "yes") put(members, field.name, field.checked);
      else if (kind === "now") put(members, field.name, nowIso().replace(/\.\d+/, ""));
      else if ((box && !field.checked) || (leave && field.value === "")) continue;
      else if (field.dataset.empty === "null" && field.value === "") put(members, field.name, null);
      else if (kind === "cell") put(members, field.name, { cell: field.value });
      else if (kind === "number") put(members, field.name, field.value === "" ? null : Number(field.value));
      else if (kind === "json") put(members, field.name, field.value === "" ? null : JSON.parse(field.value));
      else put(members, field.name, field.value);
    }
    return members;
  }

  async function submit(form, submitter) {
    const control = submitter ?? form.querySelector("[type=submit]") ?? form;
    const members = membersOf(form);
    if (submitter?.name) put(members, submitter.name, submitter.value);
    if (form.dataset.pending) return;
    const ago = backdate(form, members);
    form.dataset.pending = "1";
    const dirty = all("[data-dirty]", form);
    dirty.forEach((field) => delete field.dataset.dirty);
    try {
      const told = await act(form.dataset.act, members, form);
      clearRefusals(form.closest("[data-lane]") ?? document);
      if (form.dataset.done === "clear") form.reset();
      else if (form.dataset.done) { location.assign(form.dataset.done); return; }
      if (ago) setAgo(ago, 0);
      acknowledged(control, told.words);
    } catch (problem) {
      dirty.forEach((field) => { field.dataset.dirty = ""; });
      refusal(control, problem);
    } finally {
      delete form.dataset.pending;
    }
  }

  // -- keeping in step ---------------------------------------------------------------------------------
  // What the page shows is compared with what it showed before as the program wrote it, never with what
  // scripts have made of it. An outer part is replaced only when it differs outside its inner live parts.
  function snapshot(from) {
    const found = new Map();
    for (const part of all("[data-live]", from)) {
      const copy = part.cloneNode(true);
      for (const inner of all("[data-live]", copy)) inner.replaceChildren();
      found.set(part.dataset.live, copy.outerHTML);
    }
    return found;
  }

  function refresh() {
    if (asked) { again = true; return asked; }
    const began = performance.now();
    asked = fetch(location.href, { headers: { Accept: "text/html" } })
      .then(async (answer) => {
        if (!answer.ok) throw new Error(String(answer.status));
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        if (began < lostAt) again = true;  // it was sent before the answers stopped: ask anew
        else link("step");
        show(page);
      })
      .catch(() => link("lost"))
      .finally(() => { asked = null; if (again) { again = false; refresh(); } });
    return asked;
  }

  function show(page) {
    setClock(meta("bench-now", page));
    shownN = Math.max(shownN, Number(meta("bench-n", page)) || 0);
    const next = snapshot(page);
    for (const [key, html] of next) {
      const old = document.querySelector(`[data-live="${CSS.escape(key)}"]`);
      const fresh = page.querySelector(`[data-live="${CSS.escape(key)}"]`);
      if (!old || !fresh || shown.get(key) === html) continue;
      if (unsaved(old)) { heldBack(old); continue; }
      replace(old, fresh);
      shown.set(key, html);
      for (const inner of all("[data-live]", fresh)) shown.set(inner.dataset.live, next.get(inner.dataset.live));
    }
    tick();
    document.dispatchEvent(new CustomEvent("bench:shown"));
  }

  const unsaved = (part) => all("[data-dirty]", part).length > 0;

  function heldBack(part) {
    if (part.querySelector(":scope > .elsewhere")) return;
    const note = document.createElement("div");
    note.className = "elsewhere";
    note.setAttribute("role", "status");
    note.append("This part was changed elsewhere since you began to type. ");
    const see = document.createElement("button");
    see.type = "button";
    see.textContent = "Show it, and drop what I typed here";
    see.addEventListener("click", () => {
      all("[data-dirty]", part).forEach((field) => delete field.dataset.dirty);
      refresh();
    });
    note.append(see);
    part.prepend(note);
  }

  function replace(old, fresh) {
    const focused = old.contains(document.activeElement) ? document.activeElement : null;
    const name = focused && (focused.id ? "#" + CSS.escape(focused.id)
      : focused.dataset.members ? `[data-members="${CSS.escape(focused.dataset.members)}"]` : null);
    const open = new Set(all("details[open][id]", old).map((d) => d.id));
    const came = document.importNode(fresh, true);
    for (const kept of all("[data-keep]", old)) {
      came.querySelector(`[data-keep="${CSS.escape(kept.dataset.keep)}"]`)?.replaceWith(kept);
    }
    for (const d of all("details[id]", came)) if (open.has(d.id)) d.open = true;
    old.replaceWith(came);
    if (!focused || document.activeElement === focused) return;
    const again = (name && came.querySelector(name)) || came.querySelector("[data-focus]");
    if (again) again.focus({ preventScroll: true });
    else { came.tabIndex = -1; came.focus({ preventScroll: true }); }
  }

  function listen() {
    const source = new EventSource("/live");
    source.addEventListener("open", () => refresh());
    source.addEventListener("error", () => {  // a window beyond the first few is told by coming again
      refresh();
      if (source.readyState === EventSource.CLOSED) setTimeout(listen, AGAIN_MS);
    });
    source.addEventListener("state", (event) => {
      link("step");
      if (JSON.parse(event.data).n !== shownN) refresh();
    });
    source.addEventListener("files", () => refresh());
    source.addEventListener("work", (event) => showWork(JSON.parse(event.data)));
    addEventListener("pagehide", () => source.close());
  }

  function showWork(work) {
    const holder = document.querySelector("[data-works]");
    if (!holder) return;
    let box = holder.querySelector(`[data-work="${CSS.escape(work.work)}"]`);
    if (!box) {
      box = document.createElement("div");
      box.className = "work";
      box.dataset.work = work.work;
      const line = document.createElement("p"), words = document.createElement("span");
      words.dataset.workWords = "";
      line.append(work.label + ": ", words);
      const bar = document.createElement("progress");
      bar.setAttribute("aria-label", work.label);
      box.append(line, bar);
      holder.append(box);
    }
    const ended = work.state !== "running" && box.dataset.state !== work.state;
    holder.hidden = false;
    box.dataset.state = work.state;
    box.querySelector("[data-work-words]").textContent = work.words;
    const bar = box.querySelector("progress");
    bar.max = work.total || 1;
    bar.value = work.done || 0;
    bar.hidden = work.state !== "running";
    if (ended) { say(`${work.label}: ${work.words}`, work.state === "failed"); refresh(); }
  }

  // -- start -------------------------------------------------------------------------------------------
  document.addEventListener("DOMContentLoaded", () => {  // before any other script has touched the page
    shownN = Number(meta("bench-n")) || 0;
    setClock(meta("bench-now"));
    shown = snapshot(document);
    tick();
    setInterval(tick, 250);
    listen();
  });
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  document.addEventListener("submit", (event) => {
    if (!event.target.matches("form[data-act]")) return;
    event.preventDefault();
    submit(event.target, event.submitter);
  });
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-act]");
    if (button) press(button);
  });
  for (const type of ["input", "change"]) {
    document.addEventListener(type, (event) => {
      if (event.target.matches?.("input, textarea, select") && !("free" in event.target.dataset)) event.target.dataset.dirty = "";
    });
  }
  window.bench = { act, say, refresh, nowIso, setAgo };
})();
