// The page round the app: where it is scrolled to, the Back button, the photo chosen last, and what
// to say when the server is gone. What a keeper chose stays in this browser and goes nowhere else.

const DRAWN = "fieldmarks drawn on ";
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

const photoKept = () => withPhoto("readonly", (store) => store.get("last")).catch(() => null);
const keepPhoto = (file) => withPhoto("readwrite", (store) => store.put(file, "last")).catch(() => {});
const forgetPhoto = () => withPhoto("readwrite", (store) => store.delete("last")).catch(() => {});

/** What was drawn last in this browser: the photo's name and how many marks; or null. */
function drawnLast() {
  try {
    const all = Object.keys(localStorage).filter((key) => key.startsWith(DRAWN));
    const found = all.map((key) => {
      const { at, name, regions } = JSON.parse(localStorage.getItem(key));
      return { key, at, name, count: new Set(regions.map((r) => r.mark)).size };
    });
    return found.filter(({ name }) => name).sort((a, b) => b.at - a.at)[0] ?? null;
  } catch {
    return null;
  }
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

/** Press or choose for the keeper what opens the photo again; null where it is not to be had. */
async function wayBack(page, name) {
  const file = await photoKept();
  if (file?.name !== name) {
    const demo = await appears(page, `.st-key-demo_${CSS.escape(name.replace(/\.\w+$/, ""))} button`);
    return demo && (() => demo.click());
  }
  const input = await appears(page, "[data-testid=stFileUploader] input[type=file]");
  if (!input) return null;
  return () => {
    const carried = new DataTransfer();
    carried.items.add(file);
    input.files = carried.files;
    input.dispatchEvent(new Event("change", { bubbles: true }));
  };
}

async function offer(page, place) {
  const last = drawnLast();
  const go = last && (await wayBack(page, last.name));
  place.hidden = !go;
  if (!go) return;
  const [onward, forget] = place.querySelectorAll("button");
  onward.textContent = `Continue: ${last.count} ${last.count === 1 ? "mark" : "marks"} on ${last.name}`;
  onward.onclick = () => {
    sessionStorage.setItem("fieldmarks continue", "yes");
    onward.disabled = true;
    go();
  };
  forget.onclick = () => {
    localStorage.removeItem(last.key);
    forgetPhoto();
    place.hidden = true;
  };
}

/** The framework's own words for a lost server name a script that no keeper knows. */
function explainLoss(page) {
  const dialog = page.querySelector("[role=dialog]");
  const strange = dialog && !dialog.dataset.fm && dialog.textContent.includes("Streamlit");
  if (!strange) return;
  dialog.dataset.fm = "said";
  const said = Object.assign(page.createElement("p"), { className: "fm-gone", textContent: GONE });
  dialog.classList.add("fm-lost");
  dialog.append(said);
}

let now = { inside: false, leave: () => {} };

function wire(page) {
  if (page.body.dataset.fmWired) return;
  page.body.dataset.fmWired = "yes";
  const chosen = (file) => {
    const said = page.querySelector(".fm-too-large");
    if (!file || !said) return;
    const large = file.size > Number(said.dataset.limit) * 1e6;
    said.hidden = !large;
    said.textContent = `${file.name} has ${Math.round(file.size / 1e6)} MB; up to ${said.dataset.limit} MB can be opened. Save it smaller, as a JPEG.`;
    if (!large && file.type.startsWith("image/")) keepPhoto(file);
  };
  page.addEventListener("change", (e) => e.target.type === "file" && chosen(e.target.files[0]), true);
  page.addEventListener("drop", (e) => chosen(e.dataTransfer?.files[0]), true);
  page.defaultView.addEventListener("popstate", (e) => {
    if (now.inside && !e.state?.fieldmarks) now.leave();
  });
  new MutationObserver(() => explainLoss(page)).observe(page.body, { childList: true, subtree: true });
}

export default function ({ data, parentElement, setTriggerValue }) {
  const page = parentElement.ownerDocument;
  now = { inside: data.inside, leave: () => setTriggerValue("back", true) };
  wire(page);
  const { history } = page.defaultView;
  if (data.inside && !history.state?.fieldmarks) history.pushState({ ...history.state, fieldmarks: "photo" }, "");
  if (page.body.dataset.fmScreen !== data.screen) {
    page.body.dataset.fmScreen = data.screen;
    page.querySelector("[data-testid=stMain]")?.scrollTo(0, 0);
  }
  parentElement.querySelector(".fm-too-large").dataset.limit = data.limit;
  const place = parentElement.querySelector(".fm-continue");
  if (data.offer) offer(page, place);
  else place.hidden = true;
}
