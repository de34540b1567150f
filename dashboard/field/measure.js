// Lengths and weights in a person's units, and numbers by keys with sixteenths of an inch.

export const MM = 25.4, LB = 0.45359237;

export function inches(mm) { // to the sixteenth
  let n = Math.max(1, Math.round((mm / MM) * 16)), d = 16;
  const whole = Math.floor(n / d);
  n -= whole * d;
  while (n && n % 2 === 0) { n /= 2; d /= 2; }
  return n ? `${whole ? `${whole}\u00a0` : ""}${n}/${d}` : `${whole}`;
}
export const length = (mm, inch) => (inch ? `${inches(mm)}\u00a0in` : `${Math.round(mm * 10) / 10}\u00a0mm`);
export const mass = (kg, inch) => (inch ? `${(kg / LB).toFixed(0)} lb` : `${kg.toFixed(1)} kg`);
export const pct = (x) => (Math.round(x * 10) / 10).toString();

export function ago(ms, now) { // by the calendar of whoever looks
  const day = (at) => new Date(at).setHours(12, 0, 0, 0); // noon: a night of summer time is no day
  const days = Math.round((day(now) - day(ms)) / 86400e3);
  if (days > 1) return `${days} days ago`;
  if (days === 1) return "yesterday";
  const hours = (now - ms) / 3600e3;
  return hours < 1 ? "just now" : `${Math.round(hours)} h ago`;
}

export class Digits { // a number that is being typed; in inches with sixteenths behind it
  constructor({ sixteenths = false, point = false, over = false, most = 5 } = {}) {
    Object.assign(this, { fine: sixteenths, point, over, most, whole: "", sixteenths: 0 });
  }
  press(key) {
    if (key === "Backspace") {
      if (this.sixteenths) this.sixteenths = 0;
      else this.whole = this.whole === "OL" ? "" : this.whole.slice(0, -1);
    } else if (key === "OL") { if (this.over) this.whole = "OL"; }
    else if (key === ".") { if (this.point && !/[.L]/.test(this.whole)) this.whole += "."; }
    else if (/^\d$/.test(key) && this.whole.length < this.most) this.whole = (this.whole === "OL" ? "" : this.whole) + key;
  }
  fraction(n, more) { if (this.fine) this.sixteenths = more ? (this.sixteenths + n) % 16 : n; }
  clear() { this.whole = ""; this.sixteenths = 0; }
  get empty() { return !this.sixteenths && !/\d|OL/.test(this.whole); }
  get number() { return Number(this.whole || 0) + this.sixteenths / 16; }
  get text() {
    let d = 16, n = this.sixteenths;
    while (n && n % 2 === 0) { n /= 2; d /= 2; }
    return `${this.whole}${n ? `${this.whole ? "\u00a0" : ""}${n}/${d}` : ""}`;
  }
}
