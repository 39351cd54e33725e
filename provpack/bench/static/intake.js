// Taking carriers in. A field is written down when it is left; photos go one after the other.
// Marks: form[data-take-in], form[data-field], form[data-row], [data-now], [data-drop], [data-phone],
// form[data-receipt], [data-print]. What it says is written down was said so by the program.
"use strict";
(() => {
  const all = (what, from = document) => [...from.querySelectorAll(what)];
  const waiting = new Set();
  let line = Promise.resolve();

  // One after the other: what is said second is compared with what was written first.
  function inTurn(work) {
    const turn = line.then(work);
    line = turn.catch(() => {});
    waiting.add(turn);
    turn.catch(() => {}).finally(() => waiting.delete(turn));
    return turn;
  }

  function tell(place, text, bad = false) {
    if (!place) return;
    const p = document.createElement("p");
    p.textContent = text;
    if (bad) { p.className = "refused"; p.setAttribute("role", "alert"); }
    place.replaceChildren(p);
  }
  const problemWords = (problem) => [problem.what ?? String(problem), problem.todo].filter(Boolean).join(" ");

  // -- one field ---------------------------------------------------------------------------------------
  function read(input) {
    if (input.value.trim() === "") return null;
    switch (input.dataset.send) {
      case "json": return JSON.parse(input.value);
      case "number": { const n = Number(input.value); return Number.isNaN(n) ? input.value : n; }
      case "several": return input.value.split("|").map((part) => part.trim()).filter(Boolean);
      case "cell": return { cell: input.value };
      default: return input.value;
    }
  }

  // What a form states, and what was seen before: with the list its rows stand in, once for all of them. A form
  // that wrote something down has seen what it wrote, and keeps that for itself.
  const membersOf = (form) => JSON.parse(form.closest("[data-members]").dataset.members);

  // The form of a field as the page has it now; it may have been brought up to date since the one was touched.
  const spoken = (form) => { const { scope, id, field } = membersOf(form); return JSON.stringify([scope, id, field]); };
  const formNow = (form) => (form.isConnected ? form
    : all("form[data-field], form[data-row]").find((one) => spoken(one) === spoken(form)));
  const savedPlace = (form) => (form.closest("fieldset.rows") ?? form).querySelector("[data-saved]");

  async function write(form, value) {
    const members = membersOf(form);
    const dirty = all("[data-dirty]", form);
    dirty.forEach((field) => delete field.dataset.dirty);
    if (JSON.stringify(value) === JSON.stringify(members.was)) { bench.refresh(); return; }  // a tick before said it
    form.dataset.pending = "1";
    try {
      const told = await bench.act("declared", { ...members, value }, form).finally(() => delete form.dataset.pending);
      // what was ticked meanwhile keeps this form from being shown anew: it has now seen what was just written
      if (!value?.cell) form.dataset.members = JSON.stringify({ ...members, was: value });
      await bench.refresh();
      const now = formNow(form);
      if (now) tell(savedPlace(now), `\u2713 ${told.words}`);
    } catch (problem) {
      dirty.forEach((field) => { field.dataset.dirty = ""; });
      tell(savedPlace(form), problemWords(problem), true);
      if (!bench.gone()) bench.refresh();  // what came meanwhile was not shown in this part
      throw problem;
    }
  }
  function saveField(form) {
    inTurn(() => {
      const now = formNow(form);
      if (!now) return undefined;
      const boxes = all("input[type=checkbox]:not([data-none])", now), none = now.querySelector("[data-none]");
      const ticked = boxes.filter((box) => box.checked).map((box) => box.value);
      const value = !boxes.length ? read(now.elements.value) : ticked.length ? ticked : none?.checked ? [] : null;
      return write(now, value);
    }).catch(() => {});
  }

  // -- one row of a list -------------------------------------------------------------------------------
  function saveRow(form, remove = false) {
    let value;
    const listed = membersOf(form).was, n = form.dataset.row;
    try {
      const entry = {};
      if (n !== "new" && n !== "one") Object.assign(entry, listed[Number(n)]);
      for (const input of form.elements) {
        if (!input.name) continue;
        const part = read(input);
        if (part === null) delete entry[input.name]; else entry[input.name] = part;
      }
      if (n === "one") value = Object.keys(entry).length ? entry : null;
      else {
        value = [...(listed ?? [])];
        if (remove) value.splice(Number(n), 1); else if (n === "new") value.push(entry); else value[Number(n)] = entry;
        if (!value.length) value = null;
      }
    } catch {
      tell(savedPlace(form), "A part that is written as JSON cannot be read. Nothing was written down.", true);
      return;
    }
    inTurn(() => write(form, value)).catch(() => {});
  }

  // -- taking in ---------------------------------------------------------------------------------------
  function takeIn(form) {
    const input = form.elements.transfer_id, code = input.value.trim();
    input.value = "";
    input.focus();
    if (!code) return;
    inTurn(async () => {
      const known = JSON.parse(document.querySelector("[data-known]").dataset.known);
      const found = Object.hasOwn(known, code) ? known[code] : [];
      if (found.length > 1) { took(`${code} stands on several carriers: ${found.map((f) => f.id).join(", ")}. Take in the right one from the list.`, "", true); return; }
      if (found.length && found[0].taken) {
        took(`${code} was taken in already${found[0].id === code ? "" : `, as ${found[0].id}`}. Nothing was written down.`, found[0].id, true);
        return;
      }
      const id = found.length ? found[0].id : code;
      try {
        const told = await bench.act("taken_in", { transfer_id: id }, form);
        await bench.refresh();
        took(`\u2713 ${told.words}`, id);
      } catch (problem) {
        took(`${code}: ${problemWords(problem)}`, "", true);
      }
    }).catch(() => {});
  }

  function took(words, id, bad = false) {
    const p = document.createElement("p");
    p.append(words);
    if (bad) { p.className = "refused"; p.setAttribute("role", "alert"); }
    if (id) {
      const link = document.createElement("a");
      link.href = "/carrier/" + encodeURIComponent(id);
      link.textContent = `Open ${id}`;
      p.append(" ", link);
    }
    document.querySelector("[data-took]").prepend(p);
  }

  // -- photos ------------------------------------------------------------------------------------------
  async function post(address, options = {}) {
    const token = document.querySelector('meta[name="bench"]').content;
    if (bench.gone()) {
      bench.look();
      throw { what: "The program does not answer: this was not sent.", todo: "Do it again when this window is in step." };
    }
    let answer;
    try {
      answer = await fetch(address, { method: "POST", ...options, headers: { ...options.headers, "X-Bench": token } });
    } catch {
      bench.lost();
      bench.look();
      throw {
        what: "No answer came: it is not known whether it was kept.",
        todo: "When this window is in step again, what was kept is shown here. If it is not there, send it again.",
      };
    }
    const told = await answer.json().catch(() => ({}));
    if (!answer.ok) throw { what: told.what ?? `The program refused this (${answer.status}).`, todo: told.todo ?? "" };
    return told;
  }

  function send(drop, files) {
    const said = drop.querySelector(".drop-said"), list = [...files];
    list.forEach((file, n) => inTurn(async () => {
      tell(said, `Photo ${n + 1} of ${list.length} is sent: ${file.name}`);
      const headers = { "Content-Type": file.type || "application/octet-stream", "X-Name": encodeURIComponent(file.name) };
      const told = await post(drop.dataset.drop, { body: file, headers });
      tell(said, `\u2713 ${told.words}`);
      bench.say(told.words);
      await bench.refresh();
    }).catch((problem) => tell(said, `${file.name}: ${problemWords(problem)}`, true)));
  }

  async function phone(button) {
    const said = button.parentElement.querySelector(".drop-said");
    try {
      const told = await post(button.dataset.phone);
      tell(said, `Open ${told.address} on the phone, within ${told.minutes} minutes. ${told.words}`);
    } catch (problem) { tell(said, problemWords(problem), true); }
  }

  // -- what is pressed ---------------------------------------------------------------------------------
  document.addEventListener("change", (event) => {
    const form = event.target.closest("form[data-field]"), drop = event.target.closest("[data-drop]");
    if (form) {
      if (event.target.matches("[data-none]:checked")) for (const box of all("[name=value]", form)) box.checked = false;
      else if (event.target.matches("[type=checkbox]:checked")) { const none = form.querySelector("[data-none]"); if (none) none.checked = false; }
      saveField(form);
    }
    else if (drop && event.target.type === "file") { send(drop, event.target.files); event.target.value = ""; }
  });
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.matches("form[data-take-in]")) { event.preventDefault(); takeIn(form); }
    else if (form.matches("form[data-field]")) event.preventDefault();  // Enter: the field's change has saved it
    else if (form.matches("form[data-row]")) { event.preventDefault(); saveRow(form); }
    else if (form.matches("form[data-receipt]")) {
      event.preventDefault();
      const ids = all("input[name=pick]:checked", form).map((box) => box.value);
      if (!ids.length) { bench.say("Tick the carriers for the receipt first.", true); return; }
      location.assign("/receipt?ids=" + ids.map(encodeURIComponent).join(","));
    }
  });
  document.addEventListener("click", (event) => {
    const now = event.target.closest("[data-now]"), link = event.target.closest("a[href]");
    if (now) {
      const input = document.getElementById(now.dataset.now);
      const iso = bench.nowIso().replace(/\.\d+/, "");
      input.value = "day" in now.dataset ? iso.slice(0, 10) : iso;
      input.dispatchEvent(new Event("input", { bubbles: true }));
      input.dispatchEvent(new Event("change", { bubbles: true }));
    } else if (event.target.closest("[data-remove-row]")) saveRow(event.target.closest("form"), true);
    else if (event.target.closest("[data-phone]")) phone(event.target.closest("[data-phone]"));
    else if (event.target.closest("[data-print]")) print();
    else if (link && waiting.size && !link.hash) {  // first what was just typed, then the other page
      event.preventDefault();
      Promise.all([...waiting]).then(() => location.assign(link.href), () => {});
    }
  });
  for (const type of ["dragenter", "dragover"]) document.addEventListener(type, (event) => {
    const drop = event.target.closest?.("[data-drop]");
    if (drop) { event.preventDefault(); drop.dataset.over = ""; }
  });
  document.addEventListener("dragleave", (event) => { const d = event.target.closest?.("[data-drop]"); if (d) delete d.dataset.over; });
  document.addEventListener("drop", (event) => {
    const drop = event.target.closest?.("[data-drop]");
    if (!drop) return;
    event.preventDefault();
    delete drop.dataset.over;
    send(drop, event.dataTransfer.files);
  });
  addEventListener("beforeunload", (event) => { if (waiting.size || document.querySelector("form [data-dirty]")) event.preventDefault(); });
})();
