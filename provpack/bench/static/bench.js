// The acts of every page of the bench. It says "written down" only when the program has said so; what got no
// answer is "not known" until the program was asked (step.js).
//
// window.bench gets act(kind, members, from) and setAgo. Marks in the page:
//   form[data-act=KIND]        named inputs become members; a.b nests, a.0 makes a list; data-members (JSON) is
//                              what they are added to; data-done=clear empties the fields, data-done=ADDRESS
//                              opens that page. data-type of an input: list gathers checked boxes, none = an
//                              empty list when checked, cell sends {"cell": text}, number, json (the value read
//                              as JSON), yes (true or false), now (the time of sending).
//                              data-empty of an input: leave = an empty one is not sent, null = as null
//   button[data-act=KIND]      acts at once with data-members (keys: see keys.js)
//   [data-ago] in a lane       an input with seconds: for what has data-timed, it happened that long ago
//   [data-acts]                where the last act and its "Take it back" stand
"use strict";
(() => {
  const all = (what, from = document) => [...from.querySelectorAll(what)];
  const token = () => document.querySelector('meta[name="bench"]')?.content ?? "";
  const { say, refresh, nowIso } = window.bench;
  const SHOWN_MS = 4000, ANSWER_MS = 15000;

  // -- acts --------------------------------------------------------------------------------------------
  const refusedFor = (what, todo = "", code = "") => Object.assign(new Error(what), { what, todo, code });

  // What an act is called when its own words have not come: the words on what was pressed.
  function wordsOf(kind, members, from) {
    if (from === document.body) return kind;
    const lane = from.closest("[data-lane-name]")?.dataset.laneName;
    const words = from.querySelector?.(".act-words")?.textContent ?? from.getAttribute?.("aria-label")
      ?? from.querySelector?.("[type=submit]")?.textContent ?? from.textContent;
    const field = from.querySelector?.("label, legend")?.textContent;
    const said = from.matches?.("form") && from.matches("[data-field]") ? field : words;
    return [(said ?? kind).replace(/\s+/g, " ").trim().slice(0, 80), lane ?? members.transfer_id ?? members.id].filter(Boolean).join(", ");
  }

  async function act(kind, members, from = document.body) {
    if (bench.gone()) {
      bench.look();
      throw refusedFor(`The program does not answer: this was not sent, and is not logged. It was pressed at ${bench.clockOf()}.`,
        "Note it on paper. When this window is in step again, write it down with the time at which it happened.");
    }
    const words = wordsOf(kind, members, from), pressed = bench.clockOf(), at = nowIso(), lane = laneOf(from);
    const send = (secret) => fetch("/act", {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-Bench": secret },
      body: JSON.stringify({ kind, members, pressed: at }),
      signal: AbortSignal.timeout(ANSWER_MS),
    });
    let answer, told;
    try {
      const secret = token();
      answer = await send(secret);
      if (answer.status === 403) {  // the page brings the secret of the new start, if this browser opened it
        await refresh();
        if (token() !== secret) answer = await send(token());
      }
      told = await answer.json();
      if (answer.status === 500) throw new Error(told.what);
    } catch {
      bench.notKnown(kind, members, words, pressed);
      if (answer?.status === 500) bench.settle(); else { bench.lost(); bench.look(); }
      throw refusedFor(`It is not known whether this was logged: no answer came. It was pressed at ${pressed}.`,
        "Do not press it again yet: this window finds out as soon as the program answers, and says so above.");
    }
    if (!answer.ok) {
      throw refusedFor(told.what || `The program refused this (${answer.status}). It was not written down.`,
        told.todo || "", told.code || "");
    }
    bench.answered(told.n);
    lastAct(told, kind, lane);
    say([told.words, ...(told.warnings ?? [])].join(". "));
    refresh();
    return told;
  }

  // A page may be drawn anew between the press and its answer. So a lane is held by its name, asked before that;
  // what belongs to one is never shown in another.
  const laneOf = (control) => control.closest("[data-lane-name]")?.dataset.laneName;
  const laneNow = (name) => (name === undefined ? null : document.querySelector(`[data-lane-name="${CSS.escape(name)}"]`));
  const lastActs = (lane) => laneNow(lane)?.querySelector("[data-acts]") ?? document.querySelector("footer [data-acts]");

  function lastAct(told, kind, lane) {
    const place = lastActs(lane);
    if (!place) return;
    place.replaceChildren();
    const words = document.createElement("span");
    words.textContent = told.words;
    place.append(words);
    for (const warning of told.warnings ?? []) {
      const line = document.createElement("strong");
      line.className = "warned";
      line.textContent = warning;
      place.append(line);
    }
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

  // What was pressed may be gone: then a refusal stands with what was done last.
  function refusal(pressed, problem, lane) {
    const control = pressed.isConnected ? pressed : lastActs(lane) ?? pressed;
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
    const lane = laneOf(button), members = JSON.parse(button.dataset.members || "{}");
    const ago = backdate(button, members);
    button.dataset.pending = String(Number(button.dataset.pending || 0) + 1);
    try {
      const told = await act(button.dataset.act, members, button);
      clearRefusals(laneNow(lane) ?? document);
      acknowledged(button, told.words, lane);
      if (ago) setAgo(ago, 0);
    } catch (problem) {
      refusal(button, problem, lane);
    } finally {
      const left = Number(button.dataset.pending) - 1;
      if (left > 0) button.dataset.pending = String(left); else delete button.dataset.pending;
    }
  }

  // A tick stands for a while on what was pressed; when that is drawn anew meanwhile, on what has its key now.
  const ticks = new Set();
  const holderOf = ({ button, key, lane }) => (button.isConnected || !key ? button
    : (laneNow(lane) ?? document).querySelector(`[data-key="${CSS.escape(key)}"]`));

  function putTick(one) {
    const holder = holderOf(one);
    if (!holder || one.mark.parentElement === holder) return;
    holder.append(one.mark);
    holder.dataset.done = "";
  }

  function endTick(one) {
    ticks.delete(one);
    clearTimeout(one.timer);
    const holder = one.mark.parentElement;
    one.mark.remove();
    if (holder) delete holder.dataset.done;
  }

  function acknowledged(button, words, lane) {
    const one = { button, key: button.dataset.key, lane, mark: document.createElement("span") }, holder = holderOf(one);
    if (!holder?.isConnected) return;
    for (const other of ticks) if (holderOf(other) === holder) endTick(other);
    const label = holder.querySelector(".act-words")?.textContent, time = /^\d\d:\d\d:\d\d/.exec(words)?.[0];
    one.mark.className = "tick";
    one.mark.setAttribute("aria-hidden", "true");
    one.mark.textContent = "\u2713 " + (label && time ? `${time} ${label}` : words);
    putTick(one);
    ticks.add(one);
    one.timer = setTimeout(() => endTick(one), SHOWN_MS);
  }
  document.addEventListener("bench:shown", () => ticks.forEach(putTick));

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
    const members = membersOf(form), lane = laneOf(form);
    if (submitter?.name) put(members, submitter.name, submitter.value);
    if (form.dataset.pending) return;
    const ago = backdate(form, members);
    form.dataset.pending = "1";
    const dirty = all("[data-dirty]", form);
    dirty.forEach((field) => delete field.dataset.dirty);
    try {
      const told = await act(form.dataset.act, members, form);
      clearRefusals(laneNow(lane) ?? document);
      if (form.dataset.done === "clear") form.reset();
      else if (form.dataset.done) { location.assign(form.dataset.done); return; }
      if (ago) setAgo(ago, 0);
      acknowledged(control, told.words, lane);
    } catch (problem) {
      dirty.forEach((field) => { field.dataset.dirty = ""; });
      refusal(control, problem, lane);
      if (!bench.gone()) refresh();  // what came meanwhile was not shown in this part
    } finally {
      delete form.dataset.pending;
    }
  }

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
  Object.assign(window.bench, { act, setAgo });
})();
