// Buttons, lists and sentences around the photo.

import { putBack, question } from "./memory.js";
import { ZOOM_STEP } from "./view.js";

export const DRAWS = { area: ["outline", "ellipse", "tap"], line: ["line"] };
const SHAPES = { polygon: "outline", ellipse: "oval", rectangle: "box", line: "line" };

export function partsOf(root) {
  const named = [
    "stage", "photo", "ink", "loupe", "note", "look", "answer", "before", "question", "chosen",
    "letter", "name", "list",
  ].map((name) => [name, root.querySelector(`.${name}`)]);
  return {
    root,
    ...Object.fromEntries(named),
    nextMark: root.querySelector(".next-mark"),
    tools: [...root.querySelectorAll("[data-tool]")],
    does: Object.fromEntries([...root.querySelectorAll("[data-do]")].map((b) => [b.dataset.do, b])),
  };
}

export function wirePanel(board) {
  const { parts } = board;
  const act = {
    closer: () => board.zoom(ZOOM_STEP),
    farther: () => board.zoom(1 / ZOOM_STEP),
    whole: () => board.showAll(),
    undo: () => board.step("undo"),
    redo: () => board.step("redo"),
    delete: () => board.remove(),
    corner: () => board.removeCorner(),
    keep: () => board.answer(true),
    drop: () => board.answer(false),
    recall: () => putBack(board, true),
    leave: () => putBack(board, false),
  };
  for (const [name, button] of Object.entries(parts.does)) button.addEventListener("click", act[name]);
  for (const button of parts.tools) {
    button.addEventListener("click", () => board.setTool(button.dataset.tool));
  }
  parts.nextMark.addEventListener("change", () => board.pick(parts.nextMark.value));
  parts.name.addEventListener("change", () => board.rename(parts.name.value));
  parts.list.addEventListener("click", (e) => {
    const id = e.target.closest("button")?.dataset.id;
    if (id) board.select(id === board.selected ? "" : id, true);
  });
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

function showChosen(board) {
  const { parts, marks } = board;
  const chosen = board.chosen();
  parts.chosen.hidden = !chosen;
  if (!chosen) return;
  parts.letter.textContent = board.letters().get(chosen.id);
  const sort = board.shapeOf(chosen.mark);
  const fitting = [...marks.values()].filter((m) => m.shape === sort);
  const known = marks.has(chosen.mark) ? fitting : [{ key: chosen.mark, name: chosen.mark }, ...fitting];
  fill(parts.name, known, chosen.mark);
  const corners = chosen.shape.kind === "polygon" ? chosen.shape.points.length : 0;
  parts.does.corner.hidden = board.corner < 0 || !corners;
}

function showList(board) {
  const { list } = board.parts;
  const old = new Map([...list.children].map((item) => [item.firstChild.dataset.id, item]));
  const letters = board.letters();
  const items = board.regions.map((region) => {
    const item = old.get(region.id) ?? document.createElement("li");
    const button = item.firstChild ?? item.appendChild(document.createElement("button"));
    const letter = letters.get(region.id);
    const name = board.nameOf(region.mark);
    button.type = "button";
    button.dataset.id = region.id;
    button.setAttribute("aria-pressed", String(region.id === board.selected));
    button.setAttribute("aria-label", `${letter}, ${name}, ${SHAPES[region.shape.kind]}`);
    const text = `${letter}\n${name}`;
    if (button.dataset.text !== text) {
      const badge = document.createElement("b");
      badge.textContent = letter;
      button.replaceChildren(badge, ` ${name}`);
      button.dataset.text = text;
    }
    return item;
  });
  // Only touch the list when it changed, so that the focus is not lost.
  const same = items.length === list.children.length && items.every((n, i) => n === list.children[i]);
  if (!same) list.replaceChildren(...items);
}

export function showPanel(board) {
  const { parts, marks, current, tool, suggestion } = board;
  const draws = DRAWS[board.shapeOf(current)];
  for (const button of parts.tools) {
    const name = button.dataset.tool;
    const drawing = DRAWS.area.includes(name) || DRAWS.line.includes(name);
    button.hidden = drawing && !draws.includes(name);
    button.setAttribute("aria-pressed", String(name === tool));
  }
  parts.stage.dataset.tool = tool;
  fill(parts.nextMark, [...marks.values()], current);
  parts.look.textContent = marks.get(current)?.look ?? "";
  parts.answer.hidden = !suggestion;
  parts.before.hidden = !board.before;
  if (board.before) parts.question.textContent = question(board.before);
  parts.does.undo.disabled = !board.history.past.length;
  parts.does.redo.disabled = !board.history.future.length;
  showChosen(board);
  showList(board);
  const chosen = board.chosen();
  const count = board.regions.length;
  const which = chosen ? ` Chosen: ${board.titleOf(chosen)}.` : "";
  const drawn = `${count} ${count === 1 ? "region" : "regions"}.${which}`;
  const hint = `Enter puts a region for the ${board.nameOf(current)} in the middle.`;
  parts.stage.setAttribute("aria-label", `Photo. ${drawn} ${hint}`);
}
