// The label of a new timber: where it is, when it comes by itself, and whether its code opens these pages for a phone, by the
// address in the shop's settings, else by that of this page.

export const address = (tag) => `/field/label?tag=${encodeURIComponent(tag)}`;
export const ready = (one) => Boolean(one && one.state === "sent" && !one.undo); // its tag is its own only once it was sent
export function take(tag, page) { // as a file: no window that a browser would hold back
  const link = page.createElement("a");
  link.href = address(tag);
  link.download = `${tag}.pdf`;
  page.body.append(link);
  link.click();
  link.remove();
}

const onlyThere = (host) => /^(localhost|127\..*|0\.0\.0\.0|\[::1\])$/.test(host);

export function doubt(settings, origin) { // what to say against it, or nothing
  const opens = new URL(settings ?? origin), here = new URL(origin);
  if (onlyThere(opens.hostname)) {
    return `The code on the label opens ${opens.origin}, which only the shop's machine reaches: `
      + (settings ? "set url under [dashboard] in the settings, then print." : "open these pages by the address that phones use, then print.");
  }
  if (opens.host === here.host) return "";
  return `The code on the label opens ${opens.origin}, as the settings say; these pages are open at ${here.origin}. Scan it once before you print more.`;
}
