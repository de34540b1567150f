// Whether the code on a label opens these pages for a phone, by the address in the shop's settings, else by that of this page.

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
