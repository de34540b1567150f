// The walk's camera: the code of a tag, and photographs of a timber, which are kept on the phone and sent when there
// is signal; each has an id of its own, so that sending it twice keeps it once.
import * as phone from "./phone.js";
import { small } from "./picture.js";

const MOST_PX = 2000;
const OURS = "walk-"; // the store of photographs is shared with Add timber

function tagOf(words) { // the address of a timber's page, or a bare tag
  try { return new URL(words).searchParams.get("tag") ?? words; } catch { return words; }
}
export async function scan(file) { // the tag on a picture: by the browser where it can, else by the shop
  const picture = new Blob([await small(file, MOST_PX)], { type: "image/jpeg" });
  if ("BarcodeDetector" in window) {
    const seen = new BarcodeDetector({ formats: ["qr_code"] });
    const [code] = await createImageBitmap(picture).then((all) => seen.detect(all)).catch(() => []);
    if (code) return tagOf(code.rawValue);
  }
  const answer = await fetch("/field/scan", { method: "POST", headers: { "content-type": "image/jpeg" }, body: picture });
  const told = await answer.json();
  if (!answer.ok) throw new Error(told.error);
  return told.tag;
}

let waiting = []; // photographs that were not sent yet
export const count = () => waiting.length;
export async function begin() {
  waiting = (await phone.every("photos")).filter((one) => one.id.startsWith(OURS));
}
export async function take(file, tag) {
  const bytes = await small(file, MOST_PX);
  const one = { id: `${OURS}${phone.uuid()}`, tag, bytes, at_ms: Date.now() };
  await phone.put("photos", one);
  waiting.push(one);
}
export async function send() { // returns why the shop did not take one; what it can't take is dropped, the rest waits
  let why = "";
  for (const one of [...waiting]) {
    const asked = new URLSearchParams({ id: one.id, tag: one.tag, age_s: Math.max(0, (Date.now() - one.at_ms) / 1000) });
    const answer = await fetch(`/field/picture?${asked}`, { method: "POST", headers: { "content-type": "image/jpeg" }, body: one.bytes });
    if (answer.status === 400 || answer.status === 413) why = `The photograph of ${one.tag} is not kept: ${(await answer.json()).error}`;
    else if (!answer.ok) return why;
    waiting = waiting.filter((each) => each !== one);
    await phone.drop("photos", one.id);
  }
  return why;
}
