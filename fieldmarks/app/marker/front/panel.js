// Buttons, lists and sentences around the photo.

import { BUTTONS } from "./actions.js";
import { question } from "./memory.js";
import { SHAPES } from "./shapes.js";

export const DRAWS = { area: ["outline", "ellipse", "tap"], line: ["line"] };

/** The elements that change, by the last of their classes or by what they do. */
export function partsOf(root) {
  const parts = { root };
  for (const e of root.querySelectorAll("[class]")) parts[e.classList[e.classList.length - 1]] = e;
  for (const e of root.querySelectorAll("[data-do]")) parts[e.dataset.do] = e;
  return { ...parts, tools: [...root.querySelectorAll("[data-tool]")] };
}

export function wirePanel(board) {
  const { parts } = board;
  const on = (part, name, act) =>
    part.addEventListener(name, (e) => board.does(() => act(e.target), e.target));
  for (const [name, act] of Object.entries(BUTTONS)) on(parts[name], "click", () => act(board));
  for (const button of parts.tools) on(button, "click", () => board.setTool(button.dataset.tool));
  on(parts["next-mark"], "change", (select) => board.pick(select.value));
  on(parts.name, "change", (select) => board.rename(select.value));
  const onRow = (list, act) =>
    on(list, "click", (e) => {
      const key = e.closest("button")?.dataset.key;
      if (key) act(key);
    });
  onRow(parts.offers, (mark) => board.toggle(mark));
  onRow(parts.list, (id) => board.select(id === board.selected ? "" : id, true));
}

/** Only a text that changed is set: what stands there may be pressed at that moment. */
function tell(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Options are only made anew when they differ: a list open on a phone must not close itself. */
function fill(select, marks, value) {
  const wanted = marks.map((m) => `${m.key}=${m.name}`).join("\n");
  if (select.dataset.filled !== wanted) {
    select.replaceChildren(...marks.map((m) => new Option(m.name, m.key)));
    select.dataset.filled = wanted;
  }
  if (select.value !== value) select.value = value;
}

/** A button for each row; one that is there already stays, so that the focus is not lost. */
function fillRows(board, list, rows) {
  const old = new Map([...list.children].map((item) => [item.firstElementChild.dataset.key, item]));
  const items = rows.map(({ key, on, label, texts }) => {
    const item = old.get(key) ?? board.parts.row.content.firstElementChild.cloneNode(true);
    const button = item.firstElementChild;
    button.dataset.key = key;
    button.setAttribute("aria-pressed", String(on));
    if (label) button.setAttribute("aria-label", label);
    texts.forEach((text, i) => tell(button.children[i], text));
    return item;
  });
  for (const item of [...list.children]) if (!items.includes(item)) item.remove();
  items.forEach((item, i) => {
    if (item !== list.children[i]) list.insertBefore(item, list.children[i] ?? null);
  });
}

/** What can be seen now, and what it says. */
export function showPanel(board) {
  const { parts, marks, mode, asked, taps, current, last } = board;
  const { off, offers, suggestion, drawing } = board;
  const [chosen, now, before] = [board.chosen(), board.markOf(current), board.markOf(last)];
  const letters = board.letters();
  const draws = mode === "draw";
  const offered = mode === "offers";
  const steps = board.states.length > 1;
  const cornered = board.corner >= 0 && chosen?.shape.kind === "polygon";
  const seen = {
    ask: !draws, draws, where: draws, byhand: mode === "taps", skip: !offered && !board.done,
    more: draws && last && last !== current && before.kind !== "card",
    place: board.explains, drawing: drawing.mark === current, offers: offered,
    answer: suggestion || offered, before: board.before, chosen: chosen && draws, corner: cornered,
    list: draws, help: draws, undo: draws || steps, redo: draws || steps,
  };
  for (const [name, on] of Object.entries(seen)) parts[name].hidden = !on;
  const step = asked ? `${taps.indexOf(asked) + 1} of ${taps.length}: tap ${asked.name}` : "";
  const lacksCard = now.kind === "card" && !board.regions.some((r) => r.mark === current);
  const card = board.markOf(suggestion?.mark).kind === "card";
  const words = {
    ask: offered ? "Tap a mark to drop or take it" : step,
    when: board.done ? "Draw more:" : "Now:",
    skip: mode === "taps" ? "Not in sight" : lacksCard ? "No card" : "Skip",
    more: `More of the ${before.name}`,
    look: now.look,
    keep: offered ? `Keep ${offers.length - off.size}` : card ? "Yes" : "Keep it",
    drop: offered ? "Drop all" : card ? "No" : "Drop it",
    question: board.before ? question(board.before) : "",
    letter: letters.get(chosen?.id) ?? "",
  };
  for (const [name, text] of Object.entries(words)) tell(parts[name], text);
  for (const button of parts.tools) {
    const { tool } = button.dataset;
    const unfit = DRAWS[now.shape === "line" ? "area" : "line"].includes(tool);
    button.hidden = !draws || unfit || (tool === "tap" && now.whole);
    button.setAttribute("aria-pressed", String(tool === board.tool));
  }
  parts.where.setAttribute("aria-expanded", String(board.explains));
  parts.stage.dataset.tool = draws ? board.tool : "tap";
  parts.undo.disabled = !board.at;
  parts.redo.disabled = board.at === board.states.length - 1;
  if (parts.drawing.dataset.mark !== drawing.mark) {
    parts.drawing.innerHTML = drawing.svg;
    parts.drawing.dataset.mark = drawing.mark;
  }
  fill(parts["next-mark"], [...marks.values()], current);
  if (chosen) {
    const mark = board.markOf(chosen.mark);
    const fitting = [...marks.values()].filter((m) => m.shape === mark.shape);
    fill(parts.name, marks.has(mark.key) ? fitting : [mark, ...fitting], mark.key);
  }
  fillRows(board, parts.list, board.regions.map(({ id, mark, shape }) => {
    const texts = [letters.get(id), board.markOf(mark).name, ""];
    const label = `${texts[0]}, ${texts[1]}, ${SHAPES[shape.kind]}`;
    return { key: id, on: id === board.selected, label, texts };
  }));
  fillRows(board, parts.offers, offers.map(({ mark, sure }) => {
    const on = !off.has(mark);
    return { key: mark, on, texts: [on ? "✓" : "✗", board.markOf(mark).name, sure] };
  }));
  const count = board.regions.length;
  const which = chosen ? ` Chosen: ${board.titleOf(chosen)}.` : "";
  const drawn = `${count} ${count === 1 ? "region" : "regions"}.${which}`;
  const hint = `Enter puts a region for the ${now.name} in the middle.`;
  parts.stage.setAttribute("aria-label", `Photo. ${drawn} ${hint}`);
}
