// The chains page: which chains are shown, what differs from last time, and "it happened earlier".
"use strict";
(() => {
  const all = (what, from = document) => [...from.querySelectorAll(what)];
  const job = document.querySelector(".job bdi")?.textContent ?? "";
  const STORE = `bench-chains-${job}`;
  const read = () => { try { return JSON.parse(localStorage.getItem(STORE) ?? "{}"); } catch { return {}; } };
  const write = (chosen) => { try { localStorage.setItem(STORE, JSON.stringify(chosen)); } catch { /* not remembered */ } };

  // A running chain is always in sight, whatever was chosen.
  function showLanes() {
    const chosen = read();
    for (const lane of all(".lane")) {
      const name = lane.dataset.laneName;
      const runs = lane.querySelector("form.stop") !== null;
      lane.hidden = !(runs || (chosen[name] ?? lane.dataset.laneFirst === "yes"));
      const number = lane.id.replace("lane-", "");
      for (const b of all(`[data-show-lane="${number}"]`)) {
        b.setAttribute("aria-pressed", String(!lane.hidden));
        b.disabled = runs;
      }
    }
    document.querySelector(".lanes")?.setAttribute("data-count", String(all(".lane:not([hidden])").length));
  }

  function toggleLane(number) {
    const lane = document.getElementById(`lane-${number}`), chosen = read();
    if (!lane) return;
    chosen[lane.dataset.laneName] = lane.hidden;
    write(chosen);
    showLanes();
    bench.setLane(localStorage.getItem("bench-lane"), false);
    bench.say(`${lane.dataset.laneName} is ${lane.hidden ? "no longer shown" : "shown"}`);
  }

  // What an input of the settings says, in the words that stand on the page.
  function words(holder) {
    const boxes = all("input[type=checkbox]", holder);
    if (boxes.length) {
      const said = boxes.filter((b) => b.checked).map((b) => b.parentElement.textContent.trim());
      return said.join(", ") || "nobody has said";
    }
    if (holder.matches("select")) return holder.selectedOptions[0]?.textContent.trim() ?? "";
    return holder.value.trim() || "nobody has said";
  }

  const first = new WeakMap();
  function begin() {
    for (const holder of all("[data-settings] [data-of]")) if (!first.has(holder)) first.set(holder, words(holder));
    for (const why of all("[data-why]")) askWhy(why.closest("form"));
    for (const ago of all("[data-ago]")) showAgo(ago);
    showLanes();
  }

  // A value changed here says so in words and with a mark, and its group has to be looked at again.
  function changed(holder) {
    const group = holder.closest(".setting-group");
    const line = group.querySelector(`[data-setting="${CSS.escape(holder.dataset.of)}"]`);
    const mark = line.querySelector("[data-changed]"), now = words(holder), was = first.get(holder);
    line.classList.toggle("setting-changed", now !== was || line.querySelector(".mark:not([data-changed])") !== null);
    line.querySelector("[data-stands] bdi").textContent = now;
    mark.hidden = now === was;
    const origin = line.querySelector(".origin");
    if (origin) origin.hidden = now !== was;
    mark.replaceChildren();
    if (now !== was) {
      const sign = document.createElement("span");
      sign.setAttribute("aria-hidden", "true");
      sign.textContent = "\u25c6 ";
      mark.append(sign, `changed here; it was: ${was}`);
    }
    group.querySelector("[data-looked]").checked = false;
  }

  function askWhy(form) {
    const chosen = form.querySelector("[data-carrier]")?.selectedOptions[0];
    const why = form.querySelector("[data-why]"), again = Number(chosen?.dataset.passes ?? 0) > 0;
    why.hidden = !again;
    why.querySelector("input").required = again;
  }

  function showAgo(ago) {
    const lane = ago.closest(".lane");
    lane.toggleAttribute("data-earlier", Number(ago.value) > 0);
  }

  document.addEventListener("DOMContentLoaded", begin);
  document.addEventListener("bench:shown", begin);
  for (const type of ["input", "change"]) {
    document.addEventListener(type, (event) => {
      const holder = event.target.closest("[data-of]");
      if (holder && holder.closest("[data-settings]")) {
        if (event.target.matches("[data-none]") && event.target.checked) {
          for (const box of all("input:not([data-none])", holder)) box.checked = false;
        } else if (event.target.matches("[data-type=list]") && event.target.checked) {
          const none = holder.querySelector("[data-none]");
          if (none) none.checked = false;
        }
        changed(holder);
      }
      if (event.target.matches("[data-carrier]")) askWhy(event.target.form);
      if (event.target.matches("[data-ago]")) showAgo(event.target);
    });
  }
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button?.dataset.showLane) toggleLane(button.dataset.showLane);
    if (button?.dataset.agoAdd === undefined) return;
    const ago = button.closest(".lane").querySelector("[data-ago]"), add = Number(button.dataset.agoAdd);
    bench.setAgo(ago, add ? Number(ago.value || 0) + add : 0);
    bench.say(add ? `${ago.value} seconds ago` : "now");
  });
})();
