// The pages after a pass and of the packages: what is asked of the background, and how far it is.
// Marks: button[data-post=ADDRESS] asks once; data-post-at-once asks when the page shows it for the first time;
// form[data-post-form=ADDRESS][data-list=NAME] sends the checked boxes of that name; [data-choose-all] checks
// them all; form[data-correct=ADDRESS] makes a transfer that replaces a sealed one; [data-work-words-at=ID], [data-work-bar-at=ID] follow what the foot of the page is told.
"use strict";
(() => {
  const all = (what, from = document) => [...from.querySelectorAll(what)];
  const token = () => document.querySelector('meta[name="bench"]').content;
  const begun = new Set();

  function refused(control, lines) {
    clear(control);
    const box = document.createElement("div");
    box.className = "refused";
    box.setAttribute("role", "alert");
    for (const text of lines.filter(Boolean)) {
      const line = document.createElement("p");
      line.textContent = text;
      box.append(line);
    }
    (control.closest("form") ?? control.closest("p") ?? control).after(box);
  }
  const clear = (control) => all(".refused", control.closest("section") ?? document).forEach((b) => b.remove());

  async function post(address, body, control) {
    if (bench.gone()) {
      bench.look();
      refused(control, ["The program does not answer: nothing was begun.", "Do it again when this window is in step."]);
      return false;
    }
    let told;
    try {
      const answer = await fetch(address, {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-Bench": token() },
        body: JSON.stringify(body),
      });
      told = await answer.json().catch(() => ({}));
      if (!answer.ok) {
        refused(control, [told.what || `The program refused this (${answer.status}). Nothing was begun.`, told.todo]);
        return false;
      }
    } catch {
      bench.lost();
      bench.look();
      refused(control, ["No answer came: it is not known whether it was begun.",
        "When this window is in step again, what runs stands on this page. If it is not there, begin it again."]);
      return false;
    }
    clear(control);
    bench.refresh();
    return told;
  }

  // What came while a form waited for its answer was not shown in its part.
  const catchUp = () => { if (!bench.gone()) bench.refresh(); };

  // A new transfer in place of a sealed one; its own page opens, where what is right is stated.
  async function correct(form) {
    if (form.dataset.sending) return;
    form.dataset.sending = "1";
    const own = form.elements, chosen = form.querySelector("[name=again]:checked");
    const told = await post(form.dataset.correct, {
      transfer_id: own.transfer_id.value, reason: own.reason.value, again: chosen?.value === "yes", new_id: own.new_id.value,
    }, form);
    delete form.dataset.sending;
    if (!told) { catchUp(); return; }
    all("[data-dirty]", form).forEach((field) => delete field.dataset.dirty);
    bench.say(told.words);
    location.assign(`/carrier/${encodeURIComponent(told.transfer_id)}`);
  }

  async function send(form) {
    const boxes = all("input[type=checkbox]", form), chosen = boxes.filter((b) => b.checked);
    if (!chosen.length) { refused(form, ["Nothing is chosen.", "Tick at least one."]); return; }
    if (form.dataset.sending) return;
    form.dataset.sending = "1";
    const done = await post(form.dataset.postForm, { [form.dataset.list]: chosen.map((b) => b.value) }, form);
    delete form.dataset.sending;
    if (!done) { catchUp(); return; }
    boxes.forEach((b) => { b.checked = false; delete b.dataset.dirty; });
    bench.say("It has begun. How far it is stands on this page.");
  }

  function atOnce() {
    for (const button of all("button[data-post-at-once]")) {
      const once = `${button.dataset.post} ${document.querySelector(".candidate h3")?.textContent ?? ""}`;
      if (begun.has(once)) continue;
      begun.add(once);
      post(button.dataset.post, {}, button);
    }
  }

  function follow() {
    for (const work of all("[data-works] [data-work]")) {
      const id = CSS.escape(work.dataset.work), words = work.querySelector("[data-work-words]")?.textContent;
      for (const place of all(`[data-work-words-at="${id}"]`)) if (place.textContent !== words) place.textContent = words;
      const bar = work.querySelector("progress");
      for (const place of all(`progress[data-work-bar-at="${id}"]`)) {
        place.max = bar.max;
        place.value = bar.value;
      }
    }
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button?.dataset.post) post(button.dataset.post, {}, button);
    if (button && "chooseAll" in button.dataset) {
      all("input[type=checkbox]", button.closest("form")).forEach((b) => { b.checked = true; b.dataset.dirty = ""; });
    }
  });
  document.addEventListener("submit", (event) => {
    if (!event.target.matches("form[data-post-form], form[data-correct]")) return;
    event.preventDefault();
    if ("correct" in event.target.dataset) correct(event.target); else send(event.target);
  });
  document.addEventListener("change", (event) => {
    if (event.target.id !== "correct-of") return;
    document.querySelector("[data-correct-next]").textContent = event.target.selectedOptions[0].dataset.new;
  });
  document.addEventListener("bench:shown", () => { follow(); atOnce(); });
  const works = document.querySelector("[data-works]");
  if (works) new MutationObserver(follow).observe(works, { subtree: true, childList: true, characterData: true, attributes: true });
  atOnce();
})();
