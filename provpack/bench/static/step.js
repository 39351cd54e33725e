// Keeping a page in step with the program: what it says of itself, its clock, what others wrote, and the acts
// that got no answer. Loaded before the other scripts; gives them window.bench = { say, refresh, look, gone,
// after, nowIso, clockOf, notKnown, answered, lost }. After a refresh the document hears "bench:shown".
//   [data-live=KEY]  replaced when the program shows it differently; [data-keep=KEY] survives that.
//                    What was typed is never lost: data-free marks inputs that may be
//   form[data-pending], form[data-sending] waits for an answer; whoever takes the mark away calls refresh()
//   time[data-since=ISO]  counts up
"use strict";
(() => {
  const meta = (name, from = document) => from.querySelector(`meta[name="${name}"]`)?.content ?? "";
  const all = (what, from = document) => [...from.querySelectorAll(what)];
  const LOST = "No answer from the program: nothing is being logged";
  // A window with a stream asks when it has heard nothing for SILENT_MS; one without (the program gives only a
  // few), and one that lost the program, every AGAIN_MS. NO_ANSWER_MS is how long an answer is waited for.
  const AGAIN_MS = 2000, SILENT_MS = 5000, NO_ANSWER_MS = 4000, PAGE_MS = 20000, GAP_MS = 300, STREAM_MS = 30000;
  let shownN = 0, shownFiles = null, shownTroubles = null, clockAhead = 0, zone = "Z", shown = new Map();
  let asked = null, again = false, fetched = -Infinity, lostAt = -1;
  let stale = "", source = null, streams = false, heardAt = 0, looking = null, listenAt = 0;

  // -- saying ------------------------------------------------------------------------------------------
  function say(text, urgent = false) {
    const place = document.querySelector(urgent ? "[data-say-urgent]" : "[data-say]");
    if (place) { place.textContent = ""; requestAnimationFrame(() => { place.textContent = text; }); }
  }

  const STATES = {
    step: () => [streams ? "In step" : "In step, asks every 2 s", ""],
    lost: () => ["No answer", `${LOST}. What is pressed now is not sent. Note times on paper until this line is gone; ` +
      "look whether `provpack bench` still runs, and start it again if it does not."],
    other: () => ["Not this start", "Nothing is being logged from this window: the program was started anew and does not " +
      "know it. Open the address that the console printed, in this browser; this window then goes on by itself."],
    stale: () => ["Not up to date", `The program answers, but cannot show this page anew: ${stale} What is pressed is still logged.`],
  };
  function link(state) {
    const place = document.querySelector("[data-link]"), lost = document.querySelector("[data-lost]");
    if (state === "lost") lostAt = performance.now();
    const before = place?.dataset.link, [words, warning] = STATES[state]();
    if (!place) return;
    place.dataset.link = state;
    const line = place.querySelector("[data-link-words]");
    if (line.textContent !== words) line.textContent = words;
    if (lost.textContent !== warning) lost.textContent = warning;
    lost.hidden = !warning;
    document.documentElement.toggleAttribute("data-gone", gone());
    if (state !== "step" || before === "step") return;
    listenAt = 0;
    if (before === "asking") settle(); else refresh().then(settle);  // the page's secret may be a new one
  }
  const gone = () => ["lost", "other"].includes(document.querySelector("[data-link]")?.dataset.link);

  // -- the program's clock -----------------------------------------------------------------------------
  // The program said iso between asking and now (milliseconds of this window's clock): a slow answer must not
  // set the clock back by the time it took.
  function setClock(iso, asking) {
    const at = Date.parse(iso);
    if (Number.isNaN(at)) return;
    clockAhead = Math.min(Math.max(clockAhead, at - Date.now()), at - asking);
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

  function clockOf(at = Date.now() + clockAhead) {  // local time of day, as the program writes it
    const minutes = zone === "Z" ? 0 : (zone[0] === "-" ? -1 : 1) * (Number(zone.slice(1, 3)) * 60 + Number(zone.slice(4)));
    return new Date(at + minutes * 60000).toISOString().slice(11, 19);
  }

  // -- hearing from the program ------------------------------------------------------------------------
  const within = (ms) => AbortSignal.timeout(ms);

  function heard(told, asking) {
    heardAt = performance.now();
    if (told.now) setClock(told.now, asking);
    link("step");
    const files = told.files ?? shownFiles;
    if ((shownFiles !== null && files !== shownFiles) || moved(told)) refresh();
    shownFiles = files;
    for (const work of told.works ?? []) showWork(work);
  }

  // Whether the log has other lines than the page shows, or what is wrong with it came or went.
  function moved(told) {
    const troubles = told.troubles ?? shownTroubles, other = shownTroubles !== null && troubles !== shownTroubles;
    shownTroubles = troubles;
    return other || told.n !== shownN;
  }

  // The small question. Resolves when it is known whether the program answers this window.
  function look() {
    const asking = Date.now();
    looking ??= fetch("/state", { headers: { Accept: "application/json" }, signal: within(NO_ANSWER_MS) })
      .then(async (answer) => {
        if (answer.status === 403) link("other");
        else if (!answer.ok) throw new Error(String(answer.status));
        else heard(await answer.json(), asking);
      })
      .catch(() => link("lost"))
      .finally(() => { looking = null; heardAt = performance.now(); });
    return looking;
  }

  function watch() {
    const now = performance.now(), quiet = now - heardAt;
    if (quiet > (streams && !gone() ? SILENT_MS : AGAIN_MS)) look();
    if (!source && now >= listenAt && !gone()) listen();
  }

  function listen() {
    source = new EventSource("/live");
    const one = source;
    const alive = () => { heardAt = performance.now(); streams = true; link("step"); };
    one.addEventListener("open", alive);
    one.addEventListener("error", () => {
      streams = false;
      if (one.readyState === EventSource.CLOSED) {  // no stream for this window: it asks instead
        source = null;
        listenAt = performance.now() + STREAM_MS;
      }
      look();
    });
    one.addEventListener("state", (event) => {
      alive();
      if (moved(JSON.parse(event.data))) refresh();
    });
    one.addEventListener("files", () => { alive(); refresh(); });
    one.addEventListener("work", (event) => { alive(); showWork(JSON.parse(event.data)); });
  }

  // -- the page anew -----------------------------------------------------------------------------------
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
    const pause = Math.max(0, fetched + GAP_MS - performance.now());
    asked = new Promise((done) => { setTimeout(done, pause); }).then(fetchPage)
      .catch(() => link("lost"))
      .finally(() => { asked = null; if (again) { again = false; refresh(); } });
    return asked;
  }

  async function fetchPage() {
    const began = fetched = performance.now(), asking = Date.now();
    again = false;  // whatever was told before is in what is fetched now
    const answer = await fetch(location.href, { headers: { Accept: "text/html" }, signal: within(PAGE_MS) });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    if (answer.status === 403) { link("other"); return; }
    if (!answer.ok) {
      stale = page.querySelector("h1")?.textContent ?? "";
      link("stale");
      return;
    }
    if (began < lostAt) again = true;  // it was sent before the answers stopped: ask anew
    else { heardAt = performance.now(); link("step"); }
    setClock(answer.headers.get("x-bench-now") ?? "", asking);
    show(page);
  }

  function show(page) {
    const token = document.querySelector('meta[name="bench"]'), fresh = meta("bench", page);
    if (fresh && token) token.content = fresh;  // the bench was started anew, and this browser opened it
    shownN = Math.max(shownN, Number(meta("bench-n", page)) || 0);
    const next = snapshot(page);
    for (const [key, html] of next) {
      const old = document.querySelector(`[data-live="${CSS.escape(key)}"]`);
      const fresh = page.querySelector(`[data-live="${CSS.escape(key)}"]`);
      if (!old || !fresh || shown.get(key) === html) continue;
      if (underWay(old)) continue;
      if (unsaved(old)) { heldBack(old); continue; }
      replace(old, fresh);
      shown.set(key, html);
      for (const inner of all("[data-live]", fresh)) shown.set(inner.dataset.live, next.get(inner.dataset.live));
    }
    tick();
    document.dispatchEvent(new CustomEvent("bench:shown"));
  }

  const unsaved = (part) => all("[data-dirty]", part).length > 0;
  // What was sent from a part is neither typed there any more nor written yet: should it be refused, it has to
  // stand there still, and the refusal beside it.
  const UNDER_WAY = "form[data-pending], form[data-sending]";
  const underWay = (part) => Boolean(part.closest(UNDER_WAY) ?? part.querySelector(UNDER_WAY));

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

  // -- acts without an answer --------------------------------------------------------------------------
  // Kept for as long as this window lives, also when its page is loaded again.
  const KEPT = "bench-not-known";
  const kept = () => { try { return JSON.parse(sessionStorage.getItem(KEPT) ?? "[]"); } catch { return []; } };
  const keep = (list) => { try { sessionStorage.setItem(KEPT, JSON.stringify(list)); } catch { /* of this page only */ } };
  let open = [], settling = false;

  function notKnown(kind, members, words, at) {
    open.push({ kind, members, words, at, after: shownN, said: "" });
    keep(open);
    showOpen();
  }

  async function settle() {
    if (settling || !open.some((one) => !one.said)) return;
    settling = true;
    try {
      let last = 0;
      for (const one of open.filter((each) => !each.said)) {
        const answer = await fetch("/sought", {
          method: "POST", signal: within(NO_ANSWER_MS),
          headers: { "Content-Type": "application/json", "X-Bench": meta("bench") },
          body: JSON.stringify({ kind: one.kind, members: one.members, after: Math.max(one.after, last) }),
        });
        if (answer.status === 403) { link("other"); look(); break; }  // back in step, it is asked anew
        if (!answer.ok) { one.said = "It could not be found out. Look for it in what is written down."; continue; }
        const { found } = await answer.json();
        if (found) last = found.n;
        one.said = found ? `It was logged, at ${clockOf(Date.parse(found.at))} (line ${found.n}). Nothing need be done.`
          : "It was not logged. Write it down again, with the time at which it happened.";
        one.good = Boolean(found);
        say(`${one.words}: ${one.said}`, true);
      }
    } catch { link("lost"); } finally { settling = false; keep(open); showOpen(); }
  }

  function showOpen() {
    const place = document.querySelector("[data-not-known]");
    if (!place) return;
    place.replaceChildren(...open.map((one, n) => {
      const line = document.createElement("p"), strong = document.createElement("strong");
      line.dataset.settled = one.said ? (one.good ? "yes" : "no") : "open";
      strong.textContent = `${one.words}, pressed at ${one.at}: `;
      line.append(strong, one.said || "it is not known whether it was logged. This window looks for it as soon as the program answers. ");
      if (one.said) {
        const seen = document.createElement("button");
        seen.type = "button";
        seen.textContent = "I have seen it";
        seen.setAttribute("aria-label", `I have seen it: ${one.words}, ${one.at}`);
        seen.addEventListener("click", () => {
          open.splice(open.indexOf(one), 1);
          keep(open);
          showOpen();
          (place.querySelector("button") ?? document.getElementById("main")).focus({ preventScroll: true });
        });
        line.append(" ", seen);
      }
      return line;
    }));
    place.hidden = !open.length;
  }

  // -- start -------------------------------------------------------------------------------------------
  document.addEventListener("DOMContentLoaded", () => {  // before any other script has touched the page
    shownN = Number(meta("bench-n")) || 0;
    setClock(meta("bench-now"), performance.timeOrigin);
    shown = snapshot(document);
    open = kept();
    showOpen();
    tick();
    setInterval(tick, 250);
    setInterval(watch, 500);
    listen();
    look();
  });
  addEventListener("pagehide", () => source?.close());
  addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
  const answered = (n) => { heardAt = performance.now(); shownN = Math.max(shownN, n || 0); };
  window.bench = { say, refresh, look, gone, nowIso, clockOf, notKnown, answered, lost: () => link("lost"), settle };
})();
