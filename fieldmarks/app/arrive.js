// How a photo gets to the server: in parts, so that it goes on after a break; and, with the keeper's
// leave, made smaller before. Streamlit sends files by XMLHttpRequest; this stands before it.

(() => {
  const PART = 512 * 1024;
  const LONGEST = 2400; // pixels of the longer side of a photo that was made smaller
  const QUALITY = 0.92;
  const EDGE = "fieldmarks-the-edge-of-a-photo"; // as in arriving.py
  const PATIENCE = 120_000; // milliseconds for a part
  const { open, send, abort } = XMLHttpRequest.prototype;

  class Refused extends Error {}

  XMLHttpRequest.prototype.open = function (method, url, ...rest) {
    this.fmUpload = /^put$/i.test(method) && String(url).includes("/_stcore/upload_file/");
    return open.call(this, method, url, ...rest);
  };
  XMLHttpRequest.prototype.abort = function () {
    this.fmGone = true;
    return abort.call(this);
  };
  XMLHttpRequest.prototype.send = function (body) {
    const file = this.fmUpload && body instanceof FormData && [...body.values()].find((v) => v instanceof File);
    if (!file) return send.call(this, body);
    deliver(this, file).catch(() => this.fmGone || send.call(this, body));
  };

  async function deliver(xhr, given) {
    const file = await smaller(given);
    const form = new FormData();
    if (!globalThis.crypto?.subtle || file.size <= PART) {
      form.append(file.name, file, file.name);
    } else {
      xhr.setRequestHeader("Upload-Key", await inParts(xhr, bodyOf(file)));
    }
    if (!xhr.fmGone) send.call(xhr, form);
  }

  /** A file as the body of an upload (RFC 7578), always the same bytes; the server knows its EDGE. */
  function bodyOf(file) {
    const head = `--${EDGE}\r\nContent-Disposition: form-data; name="file"; filename="${plain(file.name)}"`;
    const kind = `Content-Type: ${plain(file.type) || "application/octet-stream"}`;
    return new Blob([`${head}\r\n${kind}\r\n\r\n`, file, `\r\n--${EDGE}--\r\n`]);
  }

  /** Send a body in parts until the server has all of it; gives its SHA-256. */
  async function inParts(xhr, file) {
    const digest = await crypto.subtle.digest("SHA-256", await file.arrayBuffer());
    const key = [...new Uint8Array(digest)].map((b) => b.toString(16).padStart(2, "0")).join("");
    let at = -1;
    for (let breaks = 0; !xhr.fmGone; ) {
      try {
        const answer = await (at < 0 ? ask(key, "HEAD") : ask(key, "PATCH", {
          headers: { "Upload-Offset": at, "Upload-Length": file.size },
          body: file.slice(at, at + PART),
        }));
        if (!answer.ok && answer.status !== 409) throw new Refused(answer.status);
        at = Number(answer.headers.get("Upload-Offset"));
        breaks = 0;
        say("");
        xhr.upload.dispatchEvent(new ProgressEvent("progress", { lengthComputable: true, loaded: at, total: file.size }));
        if (at >= file.size) return key;
      } catch (error) {
        if (error instanceof Refused) throw error;
        if (at >= 0) say(`The line is broken. ${Math.floor((100 * at) / file.size)} % of the photo is there; the rest goes on by itself.`);
        at = -1;
        await pause(Math.min(500 * 2 ** breaks++, 10_000));
      }
    }
    throw new Refused("given up");
  }

  function ask(key, method, more = {}) {
    return fetch(`/arriving/${key}`, { method, signal: AbortSignal.timeout(PATIENCE), ...more });
  }

  const plain = (words) => words.replace(/["\r\n\\]/g, "_");
  const pause = (ms) => new Promise((yes) => setTimeout(yes, ms));

  /** A line at the foot of the page; gone when there is nothing to say. */
  function say(words) {
    let place = document.querySelector(".fm-arriving");
    if (!place && words) {
      place = Object.assign(document.createElement("p"), { className: "fm-arriving" });
      place.setAttribute("role", "status");
      document.body.append(place);
    }
    if (place) place.textContent = words;
    if (place) place.hidden = !words;
  }

  // ---- made smaller

  /** A photo of at most LONGEST pixels, in Display P3, with what the file said of its taking. */
  async function smaller(file) {
    if (document.body.dataset.fmSmaller !== "yes" || file.type !== "image/jpeg") return file;
    try {
      const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
      const scale = LONGEST / Math.max(picture.width, picture.height);
      if (scale >= 1) return file;
      const size = [Math.round(picture.width * scale), Math.round(picture.height * scale)];
      const canvas = new OffscreenCanvas(...size);
      const ink = canvas.getContext("2d", { colorSpace: "display-p3" });
      if (ink.getContextAttributes?.().colorSpace !== "display-p3") return file; // greens would be cut
      ink.imageSmoothingQuality = "high";
      ink.drawImage(picture, 0, 0, ...size);
      const small = await canvas.convertToBlob({ type: "image/jpeg", quality: QUALITY });
      const told = `fieldmarks: made smaller before it was sent, from ${picture.width} x ${picture.height}`;
      const parts = [small.slice(0, 2), ...(await taking(file)), segment(0xfe, new TextEncoder().encode(told)), small.slice(2)];
      const made = new File(parts, file.name, { type: file.type, lastModified: file.lastModified });
      return made.size < file.size ? made : file;
    } catch {
      return file;
    }
  }

  globalThis.fieldmarksSmaller = smaller; // for the tests

  function segment(marker, bytes) {
    const length = bytes.length + 2;
    return new Uint8Array([0xff, marker, length >> 8, length & 255, ...bytes]);
  }

  /** The Exif segment of a JPEG (CIPA DC-008, 4.5), its picture said to be upright. */
  async function taking(file) {
    const head = new DataView(await file.slice(0, 262144).arrayBuffer());
    for (let at = 2; at + 10 < head.byteLength && head.getUint8(at) === 0xff; ) {
      const marker = head.getUint8(at + 1);
      const length = head.getUint16(at + 2);
      if (marker === 0xda || at + 2 + length > head.byteLength) break;
      if (marker === 0xe1 && head.getUint32(at + 4) === 0x45786966) {
        const tiff = at + 10;
        const little = head.getUint16(tiff) === 0x4949;
        const first = tiff + head.getUint32(tiff + 4, little);
        for (let i = 0; i < head.getUint16(first, little); i++) {
          const row = first + 2 + 12 * i;
          if (head.getUint16(row, little) === 0x0112) head.setUint16(row + 8, 1, little);
        }
        return [new Uint8Array(head.buffer, at, length + 2)];
      }
      at += 2 + length;
    }
    return [];
  }
})();
