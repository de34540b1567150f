// A photograph made small on the phone. A canvas keeps nothing of what the camera noted in it: its focal length alone is
// put back, for a picture taken at a slant is measured by it; where and when stay behind.
const BEGINNING = 256 * 1024; // [bytes]; the notes stand before the picture, in at most 64 KiB
const EXIF = 0x8769, FOCAL = 0xa405; // where a camera's notes are, and of them the focal length as on film of 24 x 36 mm

function notes(seen) { // where a JPEG's Exif begins, or null
  if (seen.getUint16(0) !== 0xffd8) return null;
  for (let at = 2; seen.getUint8(at) === 0xff && seen.getUint8(at + 1) !== 0xda; at += 2 + seen.getUint16(at + 2)) {
    if (seen.getUint16(at) === 0xffe1 && seen.getUint32(at + 4) === 0x45786966) return at + 10; // "Exif"
  }
  return null;
}
export function focal_mm(bytes) { // as on film of 24 x 36 mm, of an ArrayBuffer's beginning; null where none is noted
  const seen = new DataView(bytes);
  try {
    const from = notes(seen);
    if (from === null) return null;
    const little = seen.getUint16(from) === 0x4949;
    const entry = (at, tag) => { // where the value of an entry stands
      const many = seen.getUint16(from + at, little);
      for (let n = 0; n < many; n += 1) if (seen.getUint16(from + at + 2 + 12 * n, little) === tag) return from + at + 10 + 12 * n;
      return null;
    };
    const inner = entry(seen.getUint32(from + 4, little), EXIF);
    const value = inner === null ? null : entry(seen.getUint32(inner, little), FOCAL);
    return value === null ? null : seen.getUint16(value, little) || null;
  } catch { // the note is the camera's, and may be anything
    return null;
  }
}
export function noting(jpeg, focal) { // a JPEG's ArrayBuffer with that one note in it
  const old = new Uint8Array(jpeg), made = new Uint8Array(old.length + 54), to = new DataView(made.buffer);
  made.set(old.subarray(0, 2));
  made.set(old.subarray(2), 56);
  to.setUint32(2, 0xffe10034); // a segment of 52 bytes
  to.setUint32(6, 0x45786966); // "Exif" and two zeros
  to.setUint32(12, 0x4d4d002a); // then big-endian, two tables of one entry each
  to.setUint32(16, 8);
  const table = (at, tag, kind) => { to.setUint16(at, 1); to.setUint16(at + 2, tag); to.setUint16(at + 4, kind); to.setUint32(at + 6, 1); };
  table(20, EXIF, 4);
  to.setUint32(30, 26);
  table(38, FOCAL, 3);
  to.setUint16(48, focal);
  return made.buffer;
}
export async function small(file, most_px, made = document.createElement("canvas")) { // upright, a JPEG's ArrayBuffer
  const focal = focal_mm(await file.slice(0, BEGINNING).arrayBuffer());
  const seen = await createImageBitmap(file, { imageOrientation: "from-image" });
  const scale = Math.min(1, most_px / Math.max(seen.width, seen.height));
  made.width = Math.round(seen.width * scale);
  made.height = Math.round(seen.height * scale);
  made.getContext("2d").drawImage(seen, 0, 0, made.width, made.height);
  const blob = await new Promise((done) => made.toBlob(done, "image/jpeg", 0.85));
  const bytes = await blob.arrayBuffer();
  return focal === null ? bytes : noting(bytes, focal);
}
