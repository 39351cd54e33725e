// Keys, the chain they go to, and the two switches of every page: Darker, and whether keys work.
//
//   button[data-key=KEY]       the key that presses it; [data-key-focus=KEY]: the key that puts the cursor there
//   [data-lane=DIGIT]          a part of the page that takes keys once its digit was pressed; data-lane-name.
//                              [data-lane-words] is shown where keys go, [data-lane-off-words] elsewhere
// A key acts only while no text field has the focus and no Ctrl, Alt or Meta is held; held down it acts once.
"use strict";
(() => {
  const root = document.documentElement;
  const stored = (name) => { try { return localStorage.getItem(name); } catch { return null; } };
  const store = (name, value) => { try { localStorage.setItem(name, value); } catch { /* not remembered */ } };
  // Dark as the machine is set, until somebody chooses; before anything is drawn: no bright flash.
  if (["yes", "no"].includes(stored("bench-darker"))) root.dataset.darker = stored("bench-darker");
  const machine = matchMedia("(prefers-color-scheme: dark)");
  const dark = () => (root.dataset.darker ?? (machine.matches ? "yes" : "no")) === "yes";
  machine.addEventListener("change", () => showSwitches());
  const all = (what, from = document) => [...from.querySelectorAll(what)];
  let lane = null;

  const TEXT = "input:not([type=checkbox]):not([type=radio]):not([type=button]):not([type=submit]), textarea, select";

  function setLane(digit, aloud = true) {
    const lanes = all("[data-lane]:not([hidden])");
    if (!lanes.length) return;
    for (const one of all("[data-lane][hidden]")) one.removeAttribute("data-lane-on");
    if (!lanes.some((one) => one.dataset.lane === digit)) {
      aloud ||= lane !== null;  // keys never move to another chain without a word
      digit = lanes[0].dataset.lane;
    }
    lane = digit;
    for (const one of lanes) {
      const mine = one.dataset.lane === lane;
      one.toggleAttribute("data-lane-on", mine);
      for (const words of all("[data-lane-words]", one)) words.hidden = !mine;
      for (const words of all("[data-lane-off-words]", one)) words.hidden = mine;
      if (mine) for (const place of all("[data-lane-which]")) place.textContent = one.dataset.laneName;
      if (mine && aloud) { bench.say(`Keys go to ${one.dataset.laneName}`); one.scrollIntoView({ block: "nearest" }); }
    }
    store("bench-lane", lane);
  }

  const keysOn = () => stored("bench-keys") !== "off";
  function showSwitches() {
    for (const b of all("[data-darker-switch]")) b.setAttribute("aria-checked", String(dark()));
    for (const b of all("[data-keys]")) b.setAttribute("aria-checked", String(keysOn()));
    root.toggleAttribute("data-keys-off", !keysOn());
  }

  function key(event) {
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat || event.isComposing || !keysOn()) return;
    if (event.target.matches?.(TEXT) || event.target.isContentEditable) return;
    const pressed = event.key.toLowerCase();
    if (/^[1-9]$/.test(pressed) && document.querySelector(`[data-lane="${pressed}"]:not([hidden])`)) { setLane(pressed); event.preventDefault(); return; }
    const within = document.querySelector("[data-lane-on]") ?? document;
    const button = pressed.length === 1 && within.querySelector(`button[data-key="${CSS.escape(pressed)}"]`);
    if (button) { event.preventDefault(); button.click(); return; }
    const place = pressed.length === 1 && within.querySelector(`[data-key-focus="${CSS.escape(pressed)}"]`);
    if (!place) return;
    event.preventDefault();
    const around = place.closest("details");
    if (around) around.open = true;
    (place.matches(TEXT) ? place : place.querySelector(TEXT)).focus();
  }

  addEventListener("DOMContentLoaded", () => { showSwitches(); setLane(stored("bench-lane"), false); });
  document.addEventListener("bench:shown", () => { showSwitches(); setLane(lane, false); });
  document.addEventListener("keydown", key);
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button?.matches("[data-choose-lane]")) setLane(button.closest("[data-lane]").dataset.lane);
    else if (button?.matches("[data-keys]")) store("bench-keys", keysOn() ? "off" : "on");
    else if (button?.matches("[data-darker-switch]")) {
      root.dataset.darker = dark() ? "no" : "yes";
      store("bench-darker", root.dataset.darker);
    }
    showSwitches();
  });
  window.bench.setLane = setLane;
})();
