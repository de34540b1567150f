// What stands around every page and needs no answer of the server: whether it is there, what was just saved,
// links without a new load, and the place on a page that Back returns to.
"use strict";
(() => {
  const root = document.documentElement;
  const AWAY_MS = 2000, CHECK_MS = 600, RESTORE_MS = 8000, TYPED_MS = 250, KEPT_MS = 1500;
  const AWAY = "No connection to the shop. What you typed stays here; nothing is saved until the connection is back.";

  // ---- the line to the server: opened at once where the HTML says how, and its socket watched from outside
  const direct = document.currentScript.dataset.how;
  window.__streamlit = { BACKEND_BASE_URL: location.origin, ...(direct && { HOST_CONFIG: JSON.parse(direct) }) };
  const lines = new Set();
  let opened = false, waiting = 0, away = null;

  const told = () => {
    if (away || !document.body) return away;
    away = document.createElement("div");
    away.id = "b-away";
    away.setAttribute("role", "alert");
    document.body.append(away);
    return away;
  };
  const judge = () => {
    clearTimeout(waiting);
    const gone = opened && lines.size === 0;
    if (!gone) {
      delete root.dataset.away;
      if (away) away.textContent = "";
      return;
    }
    waiting = setTimeout(() => {
      if (lines.size) return;
      root.dataset.away = "yes";
      if (told()) away.textContent = AWAY;
    }, navigator.onLine ? AWAY_MS : 0);
  };
  const Plain = window.WebSocket;
  window.WebSocket = class extends Plain {
    constructor(address, ...rest) {
      super(address, ...rest);
      if (!String(address).includes("/_stcore/stream")) return;
      this.addEventListener("open", () => { opened = true; lines.add(this); judge(); });
      this.addEventListener("close", () => { lines.delete(this); judge(); });
    }
  };
  for (const kind of ["online", "offline"]) addEventListener(kind, judge);

  // ---- what was just saved: said once to screen readers, hidden after its time unless somebody is at it
  let count = "", until = 0, voice = null;
  const saved = () => {
    const line = document.querySelector(".b-saved");
    if (line && line.dataset.count !== count) {
      count = line.dataset.count;
      until = performance.now() + 1000 * Number(line.dataset.lasts);
      delete root.dataset.savedGone;
      if (!voice) {
        voice = document.createElement("div");
        voice.className = "b-voice";
        voice.setAttribute("role", "status");
        voice.setAttribute("aria-live", "polite");
        document.body.append(voice);
      }
      voice.textContent = "";
      setTimeout(() => { voice.textContent = line.textContent; }, 100);
    }
    const bar = line && line.closest(".st-key-saved");
    const gone = () => { delete root.dataset.saved; };
    if (!line || root.dataset.savedGone) return gone();
    if (bar) { // room is made for it: it covers nothing of the page
      root.style.setProperty("--b-saved-h", `${Math.round(innerHeight - bar.getBoundingClientRect().top + 8)}px`);
      root.dataset.saved = "yes";
    }
    if (performance.now() < until) return;
    // a finger leaves its hover behind where it tapped
    const at = matchMedia("(hover: hover)").matches ? ":hover, :has(:focus-visible)" : ":has(:focus-visible)";
    if (bar && bar.matches(at) && performance.now() < until + 20000) return;
    root.dataset.savedGone = count;
    gone();
  };
  setInterval(saved, CHECK_MS / 3);

  // ---- the yard is searched while one types, and what is typed of a new timber is kept: the field tells the server
  // at a pause, as Enter does
  let pause = 0;
  addEventListener("input", (event) => {
    const field = event.target;
    if (!field.closest || event.isComposing) return;
    const searched = field.closest(".st-key-q"), kept = field.closest('[class*="st-key-arrival_"] .stTextInput');
    if (!searched && !kept) return;
    clearTimeout(pause);
    pause = setTimeout(() => {
      const enter = { key: "Enter", code: "Enter", keyCode: 13, bubbles: true };
      field.dispatchEvent(new KeyboardEvent("keydown", enter));
    }, searched ? TYPED_MS : KEPT_MS);
  });

  // ---- the menu marks the page that is shown
  const marked = () => {
    for (const link of document.querySelectorAll(".b-menu a")) {
      if (link.pathname === location.pathname) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
    }
  };
  setInterval(marked, CHECK_MS / 3);

  // ---- a link that is drawn anew while it has the focus, as a row of the yard with its age, has it again
  let focused = null;
  addEventListener("focusin", (event) => { focused = event.target; });
  setInterval(() => {
    if (!focused || focused.isConnected || document.activeElement !== document.body) return;
    const where = focused.getAttribute("href"), all = where ? [...document.querySelectorAll(focused.tagName)] : [];
    const again = all.find((each) => each.getAttribute("href") === where && each.className === focused.className);
    focused = null;
    if (again) again.focus({ preventScroll: true });
  }, CHECK_MS / 6);

  // ---- More closes when a page was chosen in it
  addEventListener("click", (event) => {
    if (!event.target.closest || !event.target.closest(".b-menu-more a, .b-menu-guide a")) return;
    const escape = { key: "Escape", code: "Escape", keyCode: 27, bubbles: true };
    setTimeout(() => event.target.dispatchEvent(new KeyboardEvent("keydown", escape)), 0);
  });

  // ---- a page of the guide is printed by the browser
  addEventListener("click", (event) => { if (event.target.closest && event.target.closest(".b-print")) print(); });

  // ---- links inside the pages keep the session: what is typed elsewhere and the bar with Undo stay
  const pages = new Set(["/", "/timber", "/add", "/readings", "/air", "/plans", "/sensors", "/files", "/guide"]);
  const main = () => document.querySelector("[data-testid=stMain]");
  addEventListener("click", (event) => {
    const at = event.composedPath()[0];
    const link = at.closest && at.closest("a[href]");
    if (!link || event.defaultPrevented || event.button || event.metaKey || event.ctrlKey || event.shiftKey
      || event.altKey || (link.target && link.target !== "_self") || link.hasAttribute("download")) return;
    const goal = new URL(link.href, location.href);
    if (goal.origin !== location.origin || !pages.has(goal.pathname) || goal.hash || !lines.size) return;
    event.preventDefault();
    keep();
    history.pushState({}, "", goal);
    dispatchEvent(new PopStateEvent("popstate", { state: { soft: true } }));
    if (main()) main().scrollTop = 0;
  });

  // ---- Back returns to the place on the page
  const here = () => `at ${location.pathname}${location.search}`;
  let shown = here(), wanted = 0, stop = 0;
  const keep = () => {
    try { if (main()) sessionStorage.setItem(shown, String(Math.round(main().scrollTop))); } catch { /* full */ }
  };
  const restore = () => {
    let top = 0;
    try { top = Number(sessionStorage.getItem(here())) || 0; } catch { /* not allowed */ }
    wanted = top;
    stop = performance.now() + RESTORE_MS;
    const step = () => {
      if (!wanted || performance.now() > stop) return;
      const pane = main();
      if (pane && pane.scrollHeight - pane.clientHeight >= wanted - 4) {
        pane.scrollTop = wanted;
        if (Math.abs(pane.scrollTop - wanted) < 5 && performance.now() > stop - RESTORE_MS + 1500) return;
      }
      setTimeout(step, 120);
    };
    step();
  };
  for (const kind of ["pointerdown", "wheel", "touchstart", "keydown"]) {
    addEventListener(kind, () => { wanted = 0; }, { passive: true, capture: true });
  }
  let lately = 0;
  addEventListener("scroll", (event) => {
    if (event.target !== main()) return;
    clearTimeout(lately);
    lately = setTimeout(() => { shown = here(); keep(); }, 150);
  }, true);
  addEventListener("popstate", (event) => {
    if (event.state && event.state.soft) { shown = here(); return; }
    shown = here();
    restore();
  });
  addEventListener("pagehide", keep);
  const how = performance.getEntriesByType("navigation")[0];
  if (how && how.type !== "navigate") addEventListener("DOMContentLoaded", restore);
})();
