// Bands on labels, read in the page: our own QR codes, and plain codes of known bands.
const MARK = "combwright:bird:"; // what our labels hold before the band
const FORMATS = ["qr_code", "code_128"];
const MOST = 1280; // pixels of the longer side

// A function from a picture (video, bitmap, canvas) to the band on it, "" where there isn't one.
export async function labelReader(root, knows) {
  const texts = await ofBrowser() ?? await ours(root);
  return async (picture) => {
    const bands = new Set();
    for (const text of await texts(picture)) {
      if (text.startsWith(MARK)) bands.add(text.slice(MARK.length, MARK.length + 80));
      else if (knows(text)) bands.add(text);
    }
    return bands.size === 1 ? [...bands][0] : "";
  };
}

// The browser's own reader of codes, null where it has none.
async function ofBrowser() {
  if (!("BarcodeDetector" in globalThis)) return null;
  const can = await BarcodeDetector.getSupportedFormats();
  const formats = FORMATS.filter((one) => can.includes(one));
  if (!formats.length) return null;
  const detector = new BarcodeDetector({ formats });
  return async (picture) => (await detector.detect(picture)).map(({ rawValue }) => rawValue);
}

// ZXing, for the others.
async function ours(root) {
  const { prepareZXingModule, readBarcodes } = await import("./zxing/reader/index.js");
  const overrides = { locateFile: () => `${root}/pocket/zxing.wasm` };
  await prepareZXingModule({ overrides, fireImmediately: true });
  const options = { formats: ["QRCode", "Code128"], maxNumberOfSymbols: 4 };
  return async (picture) => {
    const wide = picture.videoWidth || picture.width, high = picture.videoHeight || picture.height;
    const scale = Math.min(1, MOST / Math.max(wide, high));
    const canvas = new OffscreenCanvas(Math.round(wide * scale), Math.round(high * scale));
    const pen = canvas.getContext("2d", { willReadFrequently: true });
    pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
    const found = await readBarcodes(pen.getImageData(0, 0, canvas.width, canvas.height), options);
    return found.filter((one) => one.isValid).map((one) => one.text);
  };
}
