// Buttons, lists and sentences around the photo.

import { putBack, question } from "./memory.js";
import { ZOOM_STEP } from "./view.js";

export const DRAWS = { area: ["outline", "ellipse", "tap"], line: ["line"] };
const SHAPES = { polygon: "outline", ellipse: "oval", rectangle: "box", line: "line" };

export function partsOf(root) {
  const named = [
    "stage", "photo", "ink", "loupe", "note", "look", "answer", "before", "question", "chosen",
    "letter", "name", "list", "ask", "draws", "when", "place", "drawing", "offers", "help",
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
    keep: () => (board.mode === "offers" ? board.takeOffers(true) : board.answer(true)),
    drop: () => (board.mode === "offers" ? board.takeOffers(false) : board.answer(false)),
    more: () => board.more(),
    skip: () => board.skip(),
    byhand: () => board.byHand(),
    where: () => {
      parts.place.hidden = !parts.place.hidden;
      parts.does.where.setAttribute("aria-expanded", String(!parts.place.hidden));
    },
    recall: () => putBack(board, true),
    leave: () => putBack(board, false),
  };
  for (const [name, button] of Object.entries(parts.does)) button.addEventListener("click", act[name]);
  for (const button of parts.tools) {
    button.addEventListener("click", () => board.setTool(button.dataset.tool));
  }
  parts.nextMark.addEventListener("change", () => board.pick(parts.nextMark.value));
  parts.name.addEventListener("change", () => board.rename(parts.name.value));
  parts.offers.addEventListener("click", (e) => {
    const mark = e.target.closest("button")?.dataset.mark;
    if (mark) board.toggle(mark);
  });
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
  parts.chosen.hidden = !chosen || board.mode !== "draw";
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

/** Whether a swipe over the photo scrolls the page: when nothing there can be drawn or slid. */
export function showSwipe(board) {
  const { parts, mode, tool, view } = board;
  const still = mode !== "draw" || tool === "slide" || tool === "tap";
  parts.stage.dataset.swipe = still && view.zoom < 1.01 ? "page" : "photo";
}

/** The line over the photo: what to tap or draw now. */
function showNow(board) {
  const { parts, mode, asked, taps, marks, current, last, off, offers } = board;
  const draws = mode === "draw";
  parts.ask.hidden = draws;
  parts.draws.hidden = parts.does.where.hidden = !draws;
  parts.does.byhand.hidden = mode !== "taps";
  parts.does.skip.hidden = mode === "offers";
  parts.when.textContent = board.done ? "Draw more:" : "Now:";
  parts.does.skip.hidden ||= board.done;
  const step = taps.indexOf(asked) + 1;
  if (mode === "taps") parts.ask.textContent = `${step} of ${taps.length}: tap ${asked.name}`;
  if (mode === "offers") parts.ask.textContent = "Tap a mark to drop or take it";
  const card = marks.get(current)?.kind === "card" && !board.regions.some((r) => r.mark === current);
  parts.does.skip.textContent = mode === "taps" ? "Not in sight" : card ? "No card" : "Skip";
  parts.does.more.hidden = !draws || !last || last === current || marks.get(last)?.kind === "card";
  parts.does.more.textContent = `More of the ${board.nameOf(last)}`;
  parts.look.textContent = marks.get(current)?.look ?? "";
  const { mark, svg } = board.drawing;
  if (parts.drawing.dataset.mark !== mark) {
    parts.drawing.innerHTML = svg;
    parts.drawing.dataset.mark = mark;
  }
  parts.drawing.hidden = mark !== current;
  parts.place.classList.toggle("unused", !draws);
  parts.offers.hidden = mode !== "offers";
  const items = offers.map(({ mark, sure }) => {
    const [item, button, how] = ["li", "button", "small"].map((tag) => document.createElement(tag));
    button.type = "button";
    button.dataset.mark = mark;
    button.setAttribute("aria-pressed", String(!off.has(mark)));
    how.textContent = sure;
    button.append(board.nameOf(mark), how);
    item.append(button);
    return item;
  });
  parts.offers.replaceChildren(...items);
  const kept = offers.length - off.size;
  const asks = marks.get(board.suggestion?.mark)?.kind === "card" ? ["Yes", "No"] : ["Keep it", "Drop it"];
  const [keep, drop] = mode === "offers" ? [`Keep ${kept}`, "Drop all"] : asks;
  parts.does.keep.textContent = keep;
  parts.does.drop.textContent = drop;
}

export function showPanel(board) {
  const { parts, marks, current, tool, suggestion, mode } = board;
  const draws = DRAWS[board.shapeOf(current)];
  for (const button of parts.tools) {
    const name = button.dataset.tool;
    const drawing = DRAWS.area.includes(name) || DRAWS.line.includes(name);
    const whole = name === "tap" && marks.get(current)?.whole;
    button.hidden = mode !== "draw" || whole || (drawing && !draws.includes(name));
    button.setAttribute("aria-pressed", String(name === tool));
  }
  parts.list.hidden = mode !== "draw";
  parts.stage.dataset.tool = mode === "draw" ? tool : "tap";
  showSwipe(board);
  showNow(board);
  fill(parts.nextMark, [...marks.values()], current);
  parts.answer.hidden = !suggestion && mode !== "offers";
  parts.before.hidden = !board.before;
  if (board.before) parts.question.textContent = question(board.before);
  const steps = mode === "draw" || board.history.past.length + board.history.future.length > 0;
  parts.does.undo.hidden = parts.does.redo.hidden = !steps;
  parts.help.hidden = mode !== "draw";
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
