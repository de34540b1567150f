// What was entered on a field page: kept on the phone at once, sent when there is signal, settled by the server's answer.
// Each entry has an id of its own, so that sending it twice stores it once.
import * as phone from "./phone.js";

const RETRY_MS = 15e3;
const FORGET_MS = 14 * 86400e3; // entries that were sent are shown for so long

export class Queue {
  // store: of the phone's memory; address: where entries go; batch: those of the waiting ones that go together;
  // body: what is sent of them; settle: puts one outcome into its entry; after: sends what follows entries, such as
  // photographs; waits: whether some of that is left; changed: draws what has changed.
  constructor({ store, address, batch, body, settle, after, waits, changed }) {
    Object.assign(this, { store, address, batch, body, settle, after, waits, changed });
    this.entries = []; // in the order in which they were made
    this.signal = this.mayEnter = true;
    this.sending = false;
    this.again = null;
  }
  async begin() { // with what the phone has kept
    const made = (one) => one.made_ms ?? one.at_ms;
    const kept = (await phone.every(this.store)).sort((a, b) => made(a) - made(b));
    const old = (one) => one.state === "sent" && one.photo !== "waiting" && Date.now() - made(one) > FORGET_MS;
    for (const one of kept.filter(old)) await phone.drop(this.store, one.id);
    this.entries = kept.filter((one) => !old(one));
  }
  async keep(one) { // raises what the phone's memory says against it
    await phone.put(this.store, one);
    this.entries = [...this.entries.filter((each) => each.id !== one.id), one];
  }
  get waiting() { return this.entries.filter((one) => one.state === "waiting"); }
  get open() { return this.entries.filter((one) => !one.undo && (one.state === "asks" || one.state === "refused")); }

  async undo(one) {
    if (!one.tries) {
      this.entries = this.entries.filter((each) => each !== one);
      await phone.drop(this.store, one.id);
    } else { // it may have arrived although no answer came: the server is told too
      Object.assign(one, { undo: true, state: "waiting" });
      await phone.put(this.store, one);
    }
  }
  async insist(one) { // on what the server asked about
    Object.assign(one, { sure: true, state: "waiting", said: "", why: "" });
    await phone.put(this.store, one);
  }
  answered(answer) { // there is signal; whether the answer is one to read
    this.mayEnter = answer.status !== 401 && answer.status !== 403;
    this.signal = true;
    return answer.ok;
  }
  async send() {
    if (this.sending) return;
    this.sending = true;
    clearTimeout(this.again);
    try {
      while (this.waiting.length && (await this.sendBatch(this.batch(this.waiting))));
      await this.after();
    } catch {
      this.signal = false;
    } finally {
      this.sending = false;
      this.changed();
      if (this.waiting.length || this.waits()) this.again = setTimeout(() => this.send(), RETRY_MS);
    }
  }
  async sendBatch(batch) {
    for (const one of batch) one.tries += 1;
    await Promise.all(batch.map((one) => phone.put(this.store, one))); // before they leave: an answer may get lost
    const sent = batch.map((one) => ({ ...one }));
    const answer = await fetch(this.address, {
      method: "POST",
      headers: { "content-type": "application/json" },
      body: JSON.stringify({ sent_ms: Date.now(), ...this.body(sent) }),
    });
    if (!this.answered(answer)) return false;
    const outcomes = new Map((await answer.json()).outcomes.map((one) => [one.id, one]));
    for (const [n, one] of batch.entries()) {
      if (one.undo !== sent[n].undo || one.sure !== sent[n].sure) continue; // changed meanwhile: it is sent again
      const outcome = outcomes.get(one.id);
      if (!outcome) continue;
      this.settle(one, outcome);
      await phone.put(this.store, one);
    }
    this.changed();
    return batch.every((one) => outcomes.has(one.id)); // what was not answered for waits until later
  }
}
