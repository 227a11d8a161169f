// SPDX-License-Identifier: GPL-3.0-or-later
"use strict";
(() => {
  const find = (id) => document.getElementById(id);
  const themes = document.querySelector(".themes");

  // What was chosen is kept where the browser lets a file keep something.
  const kept = {
    get: () => { try { return localStorage.getItem("leapwright-theme") || ""; } catch { return ""; } },
    set: (value) => { try { localStorage.setItem("leapwright-theme", value); } catch { /* not kept */ } },
  };
  const paint = (theme) => {
    if (theme) document.documentElement.dataset.theme = theme;
    else delete document.documentElement.dataset.theme;
  };
  themes.hidden = false;
  for (const choice of themes.elements) {
    choice.checked = choice.value === kept.get();
    choice.addEventListener("change", () => { paint(choice.value); kept.set(choice.value); });
  }
  paint(kept.get());

  const rows = find("rows");
  if (!rows || !find("index")) return;
  const shots = JSON.parse(find("index").textContent);
  // The rows are in the order of the index, each with what it opens behind it.
  const all = [...rows.children];
  shots.forEach((shot, i) => {
    [shot.row, shot.more] = [all[2 * i], all[2 * i + 1]];
    shot.button = shot.row.querySelector(".open");
    shot.shown = true;
  });
  const byNumber = new Map(shots.map((shot) => [String(shot.n), shot]));

  function open(shot, wanted) {
    const cell = shot.more.firstElementChild;
    if (wanted && !cell.firstChild) cell.innerHTML = find(`body-${shot.n}`).textContent;
    shot.button.setAttribute("aria-expanded", String(wanted));
    shot.more.hidden = !(wanted && shot.shown);
  }
  const isOpen = (shot) => shot.button.getAttribute("aria-expanded") === "true";
  rows.addEventListener("click", (event) => {
    const button = event.target.closest(".open");
    if (!button) return;
    const shot = byNumber.get(button.closest("tr").dataset.n);
    open(shot, !isOpen(shot));
  });

  // Many are opened a few at a time, so that the page answers meanwhile.
  let turn = 0;
  function openAll(wanted) {
    const waiting = shots.filter((shot) => shot.shown && isOpen(shot) !== wanted);
    const mine = ++turn;
    const step = () => {
      const until = performance.now() + 30;
      while (mine === turn && waiting.length && performance.now() < until) open(waiting.shift(), wanted);
      if (mine === turn && waiting.length) setTimeout(step, 0);
    };
    step();
  }
  find("open-all").addEventListener("click", () => openAll(true));
  find("close-all").addEventListener("click", () => openAll(false));

  const order = new Intl.Collator(undefined, { numeric: true });
  const compare = (a, b) => (typeof a === "string" ? order.compare(a, b) : a - b);
  // From the top, a few at a time: with many open there is much to move.
  let sorting = 0;
  function sort(column, down) {
    const sign = down ? -1 : 1;
    shots.sort((a, b) => sign * compare(a.sort[column], b.sort[column]) || a.n - b.n);
    const mine = ++sorting;
    let placed = 0;
    rows.setAttribute("aria-busy", "true");
    const step = () => {
      if (mine !== sorting) return;
      const until = performance.now() + 30;
      let next = placed ? shots[placed - 1].more.nextElementSibling : rows.firstElementChild;
      while (placed < shots.length && performance.now() < until) {
        const { row, more } = shots[placed++];
        if (row === next) next = more.nextElementSibling;
        else next.before(row, more);
      }
      if (placed < shots.length) setTimeout(step, 0);
      else rows.removeAttribute("aria-busy");
    };
    step();
  }
  for (const button of document.querySelectorAll(".sort")) {
    button.disabled = false;
    button.addEventListener("click", () => {
      const head = button.closest("th");
      const column = Number(button.dataset.column);
      const before = head.getAttribute("aria-sort");
      // The gravest findings and the longest times are wanted first.
      const down = before ? before === "ascending" : column >= 4;
      for (const other of document.querySelectorAll("th[aria-sort]")) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      sort(column, down);
      tell(`sorted by ${button.textContent}, ${down ? "descending" : "ascending"}`);
    });
  }

  const filters = find("filters");
  const [text, status, kind, severity] = ["by-text", "by-status", "by-kind", "by-severity"].map(find);
  const ranks = { error: ["error"], warning: ["error", "warning"], note: ["error", "warning", "note"], intended: ["intended"] };
  function fits(shot, words) {
    if (status.value && shot.status !== status.value) return false;
    if (kind.value && !shot.kinds.includes(kind.value)) return false;
    if (severity.value === "none" && (shot.severities.length || shot.sort[4] < 0)) return false;
    if (ranks[severity.value] && !ranks[severity.value].some((one) => shot.severities.includes(one))) return false;
    return words.every((word) => shot.words.includes(word));
  }
  function filter() {
    const words = text.value.toLowerCase().split(/\s+/).filter(Boolean);
    for (const shot of shots) {
      shot.shown = fits(shot, words);
      shot.row.hidden = !shot.shown;
      shot.more.hidden = !(shot.shown && isOpen(shot));
    }
    tell("");
  }
  let said = 0;
  function tell(more) {
    const count = shots.reduce((sum, shot) => sum + shot.shown, 0);
    const all = shots.length;
    find("nothing").hidden = count > 0;
    const words = count === all ? `${all} shots` : `${count} of ${all} shots`;
    // Letters typed quickly are told once.
    clearTimeout(said);
    said = setTimeout(() => { find("count").textContent = more ? `${words}, ${more}` : words; }, 120);
  }
  filters.hidden = false;
  filters.addEventListener("input", filter);
  filters.addEventListener("submit", (event) => event.preventDefault());
  filters.addEventListener("reset", () => setTimeout(filter, 0));
  filter();
})();
