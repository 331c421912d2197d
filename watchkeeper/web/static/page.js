/* What a script adds to the page: it updates itself, charts show the value at the pointer, and a drag over a chart chooses
   a period. Everything else works without it. Nothing is loaded from elsewhere. */
"use strict";
(() => {
  const feed = document.body.dataset.stream;
  const lost = document.getElementById("lost");
  const live = document.getElementById("live");
  const SVG = "http://www.w3.org/2000/svg";

  /* The page writes times of 24 hours, whatever the browser's language does. */
  const two = (n) => String(n).padStart(2, "0");
  const hours = (at) => `${two(at.getHours())}:${two(at.getMinutes())}`;

  const moment = (at) => `${at.toLocaleDateString("en-GB", { weekday: "short", day: "numeric", month: "short" }).replace(",", "")} ${hours(at)}`;

  /* --- Up to date: when the store has changed, the page asks for itself and takes over what is new. --- */

  const busy = () => {
    const at = document.activeElement;
    const typed = [...document.querySelectorAll("main textarea, main input:not([type=hidden])")].some((f) => f.value);
    const marked = window.getSelection && !window.getSelection().isCollapsed;
    return typed || marked || dragging || (at && at.matches("main select, main input, main textarea"));
  };

  /* Where the focus is, in words that hold in the new page too. */
  const place = (within) => {
    const at = document.activeElement;
    if (!at || !within.contains(at)) return null;
    const alike = [...within.querySelectorAll(at.tagName)];
    const name = at.getAttribute("href") || at.textContent;
    return { tag: at.tagName, name, index: alike.indexOf(at) };
  };
  const found = (within, was) => {
    if (!was) return null;
    const alike = [...within.querySelectorAll(was.tag)];
    return alike.find((e) => (e.getAttribute("href") || e.textContent) === was.name) || alike[was.index];
  };
  const folds = (within) => [...within.querySelectorAll("details")];
  const heading = (fold) => (fold.querySelector(".count, h2") || fold.querySelector("summary")).textContent.replace(/\d+/g, "#");

  let waiting = false;
  const refresh = async () => {
    if (busy()) {
      waiting = true;
      return;
    }
    waiting = false;
    let text;
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" }, cache: "no-cache" });
      if (!answer.ok) return;
      text = await answer.text();
    } catch {
      return; // a lost connection is reported below
    }
    if (busy()) {
      waiting = true;
      return;
    }
    take(new DOMParser().parseFromString(text, "text/html"));
  };

  const take = (fresh) => {
    const main = document.getElementById("main");
    const next = fresh.getElementById("main");
    if (!next) return;
    const was = new Map(folds(main).map((f) => [heading(f), f.open]));
    const focus = place(main);
    const said = main.querySelector(".said");
    const before = (main.querySelector("h1") || main).textContent;
    folds(next).forEach((f) => { if (was.has(heading(f))) f.open = was.get(heading(f)); });
    if (said && !next.querySelector(".said")) (next.querySelector(".now h1, #alerts") || next.firstChild).after(said);
    main.className = next.className;
    main.replaceChildren(...next.childNodes);
    const target = found(main, focus);
    if (target) target.focus({ preventScroll: true });
    for (const part of [".asof", ".foot"]) {
      const [old, now] = [document.querySelector(part), fresh.querySelector(part)];
      if (old && now) old.replaceChildren(...now.childNodes);
    }
    document.title = fresh.title;
    const [icon, drawn] = [document, fresh].map((each) => each.querySelector("link[rel=icon]"));
    if (icon && drawn && icon.href !== drawn.href) icon.href = drawn.href;
    announce(before);
    // Only what changes the answer to "does anything need me?" is spoken.
    const after = (main.querySelector("h1") || main).textContent;
    if (live && before !== after) live.textContent = after;
    own();
    charts();
    offer();
  };

  /* --- Notifications of this browser, while the page is open: only if the reader asks for them. --- */

  const ASKED = "watchkeeper-notifications";
  const heard = () => {
    try {
      return "Notification" in window && Notification.permission === "granted" && localStorage.getItem(ASKED) === "yes";
    } catch { return false; } // storage is switched off
  };
  const announce = (before) => {
    const title = document.querySelector("main.status h1");
    if (!title || title.textContent === before || !heard() || !document.querySelector(".now.p1, .now.p2, .now.p3")) return;
    new Notification(title.textContent.trim(), { tag: "watchkeeper", icon: document.querySelector("link[rel=icon]").href });
  };
  const offer = () => {
    const button = document.querySelector("main.status .notify");
    if (!button || !("Notification" in window) || Notification.permission === "denied") return;
    const name = () => { button.textContent = heard() ? "Stop notifications in this browser" : "Notify me in this browser"; };
    name();
    button.disabled = false;
    button.addEventListener("click", async () => {
      const was = heard();
      if (!was && (await Notification.requestPermission()) !== "granted") return;
      try { localStorage.setItem(ASKED, was ? "no" : "yes"); } catch { /* asked again next time */ }
      name();
    });
  };

  let stream = null;
  let losing = 0;
  const listen = () => {
    if (!feed || !window.EventSource || stream) return;
    stream = new EventSource(feed);
    stream.addEventListener("change", refresh);
    stream.onopen = () => {
      clearTimeout(losing);
      losing = 0;
      if (lost && !lost.hidden) {
        lost.hidden = true;
        document.body.classList.remove("lost");
        refresh();
      }
    };
    stream.onerror = () => {
      if (losing) return;
      const since = moment(new Date());
      losing = setTimeout(() => {
        if (!lost) return;
        lost.textContent = `Not up to date: no connection since ${since}`;
        lost.hidden = false;
        document.body.classList.add("lost");
        document.title = `Not up to date, ${document.title.replace("Not up to date, ", "")}`;
      }, 8000);
      // A stream that the server has refused is not tried again by the browser.
      if (stream && stream.readyState === EventSource.CLOSED) {
        stream = null;
        setTimeout(listen, 15000);
      }
    };
  };
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) {
      if (heard()) return; // a notification is wanted just then
      if (stream) stream.close();
      stream = null;
    } else {
      listen();
      refresh();
    }
  });
  document.addEventListener("focusout", () => setTimeout(() => { if (waiting) refresh(); }, 300));

  /* --- The reader's own time, where it is not the host's. --- */

  const own = () => {
    for (const each of document.querySelectorAll("time[datetime]")) {
      const at = new Date(each.dateTime);
      const local = hours(at);
      if (!each.textContent.includes(local)) each.title = `${local} in your time zone`;
    }
  };

  /* --- Charts: values at the pointer; a drag chooses a period. --- */

  let dragging = false;
  const figure = (n) => (n >= 100 ? n.toFixed(0) : n.toPrecision(3).replace(/\.?0+$/, ""));
  const size = (v) => {
    const units = ["B", "KiB", "MiB", "GiB", "TiB", "PiB"];
    let i = 0;
    while (Math.abs(v) >= 1000 && i < units.length - 1) { v /= 1024; i += 1; }
    return `${figure(v)} ${units[i]}`;
  };
  const lasting = (s) => {
    const steps = [[86400, "d"], [3600, "h"], [60, "min"], [1, "s"], [0.001, "ms"]];
    const [unit, word] = steps.find(([u]) => Math.abs(s) >= u) || [1, "s"];
    return `${figure(s / unit)} ${word}`.replace("-", "−");
  };
  const WORDS = {
    bytes: size,
    share: (v) => `${figure(v * 100)} %`,
    count: (v) => Math.round(v).toLocaleString("en"),
    duration: lasting,
    state: () => "",
  };
  const plain = (words) => words.replace(/,| at(?= \d)/g, "");
  const clock = (s, zone, offset) => {
    const how = { weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
    try {
      if (zone) return plain(new Date(s * 1000).toLocaleString("en-GB", { ...how, timeZone: zone }));
    } catch { /* a zone that this browser does not know */ }
    return plain(new Date((s + offset) * 1000).toLocaleString("en-GB", { ...how, timeZone: "UTC" }));
  };
  const points = (chart) => [...chart.querySelectorAll(".run")].flatMap((run) =>
    [...run.getAttribute("d").matchAll(/(-?[\d.]+) (-?[\d.]+)/g)].map(([, x, y]) => [Number(x), Number(y)]));

  const arm = (chart) => {
    const d = Object.fromEntries(Object.entries(chart.dataset).map(([k, v]) => [k, k === "zone" || k === "unit" ? v : Number(v)]));
    const field = chart.querySelector("svg");
    if (!field || !(d.wide > 0)) return;
    const all = points(chart);
    const make = (name, attributes) => {
      const e = document.createElementNS(SVG, name);
      for (const [k, v] of Object.entries(attributes)) e.setAttribute(k, v);
      e.setAttribute("visibility", "hidden");
      e.setAttribute("aria-hidden", "true");
      field.append(e);
      return e;
    };
    const band = make("rect", { class: "chosen", y: 0, height: d.high });
    const line = make("path", { class: "reading" });
    const dot = make("circle", { class: "reading", r: 4 });
    const words = document.createElement("output");
    words.className = "reading";
    words.setAttribute("aria-hidden", "true"); // the table has the same values; they are not read out at each move
    chart.parentNode.querySelectorAll(`output.${chart.classList[1]}`).forEach((e) => e.remove());
    words.classList.add(chart.classList[1]);
    chart.after(words);
    const x = (event) => {
      const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(chart.getScreenCTM().inverse());
      return Math.min(Math.max(at.x - d.left, 0), d.wide);
    };
    const time = (at) => d.since + (at / d.wide) * (d.until - d.since);
    const show = (shown, ...parts) => parts.forEach((e) => e.setAttribute("visibility", shown ? "visible" : "hidden"));
    let from = null;
    chart.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      from = x(event);
      dragging = true;
      chart.setPointerCapture(event.pointerId);
    });
    chart.addEventListener("pointermove", (event) => {
      const at = x(event);
      if (from !== null) {
        band.setAttribute("x", Math.min(from, at));
        band.setAttribute("width", Math.abs(at - from));
        show(Math.abs(at - from) > 6, band);
      }
      const near = all.reduce((best, p) => (Math.abs(p[0] - at) < Math.abs((best || [1e9])[0] - at) ? p : best), null);
      if (!near) return;
      line.setAttribute("d", `M${near[0]} 0v${d.high}`);
      dot.setAttribute("cx", near[0]);
      dot.setAttribute("cy", near[1]);
      show(true, line, dot);
      const value = d.low + ((d.high - near[1]) / d.high) * (d.top - d.low);
      words.textContent = `${clock(time(near[0]), d.zone, d.offset)}  ${(WORDS[d.unit] || String)(value)}`.trim();
    });
    const end = (event, chosen) => {
      dragging = false;
      show(false, band);
      const at = x(event);
      if (chosen && from !== null && Math.abs(at - from) > 6) {
        const stamp = (s) => new Date(s * 1000).toISOString().slice(0, 19) + "Z";
        const [a, b] = [Math.min(from, at), Math.max(from, at)].map(time);
        location.search = new URLSearchParams({ since: stamp(a), until: stamp(Math.max(b, a + 60)) });
      }
      from = null;
    };
    chart.addEventListener("pointerup", (event) => end(event, true));
    chart.addEventListener("pointercancel", (event) => end(event, false));
    chart.addEventListener("pointerleave", () => {
      if (from !== null) return;
      show(false, line, dot);
      words.textContent = "";
    });
  };
  const charts = () => document.querySelectorAll(".chart").forEach(arm);

  /* The page is drawn first; a page in the background is not drawn. */
  const begin = () => {
    own();
    charts();
    offer();
    if (!document.hidden || heard()) listen();
  };
  if (document.hidden) begin();
  else requestAnimationFrame(() => setTimeout(begin));
})();
