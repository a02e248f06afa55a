// The page round the app: where it is scrolled to, the Back button, the photo chosen last, and what
// to say when the server is gone. What a keeper chose stays in this browser and goes nowhere else.

import { DRAWN, entries, keep, LOAD, PHOTOS, stored, tried, WANTED } from "./marker/front/stored.js";

const DAY = "fieldmarks day ";
const FILE_FIELD = "[data-testid=stFileUploader] input[type=file]";
const GONE = "fieldmarks has stopped. Start it again with: fieldmarks show. Your marks are kept in this browser.";

/** One step in the browser's own store of the photo chosen last. */
function withPhoto(mode, act) {
  return new Promise((yes, no) => {
    const asked = indexedDB.open("fieldmarks", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore("photo");
    asked.onerror = () => no(asked.error);
    asked.onsuccess = () => {
      const step = act(asked.result.transaction("photo", mode).objectStore("photo"));
      step.onsuccess = () => yes(step.result);
      step.onerror = () => no(step.error);
    };
  });
}

const idOf = ([name, size]) => `${size} ${name}`;
const photoKept = (photo) => withPhoto("readonly", (store) => store.get(idOf(photo))).catch(() => null);
const forgetPhoto = (id) => withPhoto("readwrite", (store) => store.delete(id)).catch(() => {});

/** Keep a photo file in this browser; of files beyond a day's photos the oldest go. */
async function keepPhoto(file) {
  const id = idOf([file.name, file.size]);
  const order = stored("fieldmarks files", []).filter((one) => one !== id);
  order.push(id);
  for (const old of order.splice(0, Math.max(0, order.length - PHOTOS))) forgetPhoto(old);
  localStorage.setItem("fieldmarks files", JSON.stringify(order));
  await withPhoto("readwrite", (store) => store.put(file, id)).catch(() => {});
}

/** What was drawn last in this browser: the day's photos and how many marks; or nothing. */
function drawnLast() {
  const drawn = entries(DRAWN).filter(({ name }) => name);
  if (!drawn.length) return;
  const [{ name: newest }] = drawn;
  const day = entries(DAY).find(({ photos }) => photos?.some(([name]) => name === newest));
  const photos = day?.photos ?? [[newest, 0]];
  const own = drawn.filter(({ name }) => photos.some((photo) => photo[0] === name));
  const marks = new Set(own.flatMap(({ name, regions }) => regions.map((r) => `${r.mark} ${name}`)));
  return { photos, count: marks.size, keys: own.map(({ key }) => key) };
}

/** A part of the page, as soon as it is there: the framework draws the parts in no sure order. */
function appears(page, selector) {
  return new Promise((yes) => {
    const look = () => page.querySelector(selector);
    if (look()) return yes(look());
    const watch = new MutationObserver(() => look() && done());
    const done = () => (watch.disconnect(), yes(look()));
    watch.observe(page.body, { childList: true, subtree: true });
    setTimeout(done, 20_000);
  });
}

/** Put files into a field as if the keeper had chosen them. */
function choose(input, files) {
  const carried = new DataTransfer();
  for (const file of files) carried.items.add(file);
  input.files = carried.files;
  input.dispatchEvent(new Event("change", { bubbles: true }));
}

let rest = []; // files to add to the first photo, once that is open

/** Press or choose for the keeper what opens the photos again; null where they are not to be had. */
async function wayBack(page, photos) {
  const files = (await Promise.all(photos.map(photoKept))).filter(Boolean);
  const [first] = photos[0];
  if (files[0]?.name !== first) {
    const demo = await appears(page, `.st-key-demo_${CSS.escape(first.replace(/\.\w+$/, ""))} button`);
    return demo && (() => (demo.click(), (rest = files)));
  }
  const input = await appears(page, FILE_FIELD);
  return input && (() => choose(input, files));
}

async function offer(page, place) {
  const last = tried(drawnLast, null);
  const go = last && (await wayBack(page, last.photos));
  place.hidden = !go;
  if (!go) return;
  const [onward, forget] = place.querySelectorAll("button");
  const many = last.photos.length;
  const where = many === 1 ? last.photos[0][0] : `${many} photos`;
  onward.textContent = `Continue: ${last.count} ${last.count === 1 ? "mark" : "marks"} on ${where}`;
  onward.onclick = () => {
    sessionStorage.setItem(WANTED, JSON.stringify(last.photos.map(([name]) => name)));
    onward.disabled = true;
    go();
  };
  forget.onclick = () => {
    for (const key of last.keys) localStorage.removeItem(key);
    for (const photo of last.photos) forgetPhoto(idOf(photo));
    place.hidden = true;
  };
}

/** The framework's own words for a lost server name a script that no keeper knows. */
function explainLoss(page) {
  const dialog = page.querySelector("[role=dialog]");
  const strange = dialog?.textContent.includes("Streamlit");
  if (!strange || dialog.matches(".fm-lost")) return;
  const said = Object.assign(page.createElement("p"), { className: "fm-gone", textContent: GONE });
  dialog.classList.add("fm-lost");
  dialog.append(said);
}

let now = {}; // of the page as it is shown

function wire(page) {
  if (page.body.dataset.fmWired) return;
  page.body.dataset.fmWired = "yes";
  const chosen = (files) => {
    const said = page.querySelector(".fm-too-large");
    if (!files?.length || !said) return;
    const { limit } = now;
    const large = [...files].find((file) => file.size > limit * 1e6);
    said.hidden = !large;
    said.textContent = large && `${large.name} has ${Math.round(large.size / 1e6)} MB; up to ${limit} MB can be opened. Save it smaller, as a JPEG.`;
    for (const file of files) if (file !== large && file.type.startsWith("image/")) keepPhoto(file);
  };
  page.addEventListener("change", (e) => e.target.type === "file" && chosen(e.target.files), true);
  page.addEventListener("drop", (e) => chosen(e.dataTransfer?.files), true);
  page.defaultView.addEventListener("popstate", (e) => {
    if (now.inside && !e.state?.fieldmarks) now.leave();
  });
  new MutationObserver(() => explainLoss(page)).observe(page.body, { childList: true, subtree: true });
}

export default function ({ data, parentElement, setTriggerValue }) {
  const page = parentElement.ownerDocument;
  const inside = data.photos.length > 0;
  now = { inside, limit: data.limit, leave: () => setTriggerValue("back", true) };
  if (inside) keep(DAY, LOAD, { photos: data.photos });
  if (inside && rest.length) {
    const files = rest;
    rest = [];
    appears(page, ".st-key-more_photos input[type=file]").then((input) => input && choose(input, files));
  }
  wire(page);
  page.body.dataset.fmSmaller = data.smaller ? "yes" : "";
  const { history } = page.defaultView;
  if (inside && !history.state?.fieldmarks) history.pushState({ ...history.state, fieldmarks: "photo" }, "");
  if (page.body.dataset.fmScreen !== data.screen) {
    page.body.dataset.fmScreen = data.screen;
    page.querySelector("[data-testid=stMain]")?.scrollTo(0, 0);
  }
  const place = parentElement.querySelector(".fm-continue");
  if (data.offer) offer(page, place);
  else place.hidden = true;
}
