// The page at the oven: asks each second what is new, shows it, and says so in the largest type when nothing comes.
(function () {
  "use strict";
  // Drawing all lines anew is most of the work of this page, and five seconds are a pixel or two: minutes.
  const DRAWN_EVERY = 5 / 60;
  // An answer that is not there within `patience_ms` is none; without one for `lost_ms` the page shows no number any more.
  const pullcue = (window.pullcue_oven = { listeners: [], page: null, patience_ms: 4000, lost_ms: 3500 });

  const at = (id) => document.getElementById(id);
  // Words take the place of words in the same node: where no node comes or goes, nobody is told who waits for some.
  const put = (place, words) => {
    if (!place) {
      return;
    }
    const only = place.childNodes.length === 1 ? place.firstChild : null;
    if (words && only && only.nodeType === Node.TEXT_NODE) {
      if (only.data !== words) {
        only.data = words;
      }
    } else if (place.textContent !== words) {
      place.textContent = words;
    }
  };
  const list = (place, words, tag) => {
    if (place) {
      place.replaceChildren(...words.map((one) => Object.assign(document.createElement(tag), { textContent: one })));
    }
  };
  const capital = (words) => words.slice(0, 1).toUpperCase() + words.slice(1);
  pullcue.put = put;

  // ------------------------------------------------------------ asking

  const ask = async (address) => {
    const patience = new AbortController();
    const timer = window.setTimeout(() => patience.abort(), pullcue.patience_ms);
    try {
      const answer = await window.fetch(address, { signal: patience.signal, cache: "no-store" });
      if (answer.redirected) {
        window.location.reload(); // the session is over: sign in again
      }
      return answer.ok ? await answer.json() : null;
    } catch (error) {
      if (error.name === "AbortError") {
        window.pullcue_frame.lose();
      }
      return null;
    } finally {
      window.clearTimeout(timer);
    }
  };

  const turn = async (page) => {
    if (page !== pullcue.page || !page.root.isConnected) {
      return;
    }
    const begun = performance.now(), lost = page.lost;
    const query = new URLSearchParams({ bench: page.config.bench, ...page.have });
    const news = await ask(`/oven/live?${page.config.bench ? query : ""}`);
    if (news && page.root.isConnected) {
      page.heard = performance.now();
      if (page.lost === lost) {
        show(page, news);
      }
    } else {
      lose(page);
    }
    // An answer that comes too late leaves out what the page had when it asked, and shows no more: all is asked anew.
    const late = news && page.lost !== lost;
    // The answer says when the next look is there: asked for just then it is as fresh as can be.
    const wait = late ? 0 : news && news.wait ? news.wait : page.config.every_ms - (performance.now() - begun);
    window.clearTimeout(page.timer);
    page.timer = window.setTimeout(() => turn(page), Math.max(100, wait));
  };

  // ------------------------------------------------------------ showing

  const lose = (page) => {
    page.root.dataset.lost = "";
    page.lost += 1;
    page.have.parts = "";
    if (page.config.bench) {
      put(at("oven-to"), "");
      put(at("oven-count"), "");
      cue(page, ["not-live", "not live", "Go by the look and the drop of the sheet, as its instructions say.",
        "Nothing comes from Pullcue."]);
      put(at("oven-at"), "");
      put(at("oven-stale"), "");
      if (at("oven-cut")) {
        at("oven-cut").hidden = true;
      }
      page.loud = "[]";
      list(at("oven-loud"), [], "p");
      list(at("oven-table"), [], "div");
      pullcue.sag(at("oven-sag"), null, null);
      strip();
    } else {
      page.root.querySelectorAll("[data-tile]").forEach((tile) => fill(tile, ["", "not-live", "not live", "", "", ""]));
    }
  };

  const cue = (page, [key, word, todo, why]) => {
    const place = at("oven-cue");
    put(at("oven-word"), word);
    put(at("oven-todo"), todo);
    put(at("oven-why"), why);
    if (place.dataset.key !== key || page.key === undefined) {
      place.dataset.key = key;
      page.key = key;
      at("oven-shape").innerHTML = pullcue.shape(key);
      document.title = `${word.toUpperCase()} · Pullcue`;
      const to = at("oven-to").textContent, count = at("oven-count").textContent;
      const said = `${capital(word)}. ${count ? `${capital(to)} ${count}. ` : ""}${todo} ${why}`;
      const urgent = ["pull-now", "last-chance", "too-late", "not-live"].includes(key);
      put(at("oven-cried"), urgent ? said : "");
      put(at("said"), urgent ? "" : said);
      pullcue.listeners.forEach((listener) => listener(key));
    }
  };

  const named = (key) => key.replaceAll("-", " ");
  const fill = (tile, [, key, word, count, to, loud]) => {
    const part = (name) => tile.querySelector(`[data-part=${name}]`);
    if (tile.dataset.key !== key || !part("shape").firstChild) {
      tile.dataset.key = key;
      part("shape").innerHTML = pullcue.shape(key);
    }
    put(part("word"), word || named(key));
    put(part("count"), count);
    put(part("to"), to);
    put(part("loud"), loud);
  };

  // Of several benches the one that calls for a hand the most is heard.
  const URGENT = ["last-chance", "pull-now", "too-late", "too-cold", "cannot-tell", "not-live", "getting-close", "carry"];
  const overview = (page, benches) => {
    benches.forEach((one) => {
      const tile = page.root.querySelector(`[data-tile="${CSS.escape(one[0])}"]`);
      if (tile) {
        fill(tile, one);
      }
    });
    const first = URGENT.map((key) => benches.find((one) => one[1] === key)).find(Boolean);
    const key = first ? first[1] : "heating";
    const whose = first ? first[0] : "";
    if (page.key !== `${key} ${whose}`) {
      page.key = `${key} ${whose}`;
      put(at("said"), first ? `${first[0]}: ${first[2] || named(first[1])}. ${first[4]} ${first[3]}` : "");
      pullcue.listeners.forEach((listener) => listener(key));
    }
  };

  const show = (page, news) => {
    delete page.root.dataset.lost;
    if (news.benches) {
      overview(page, news.benches);
      return;
    }
    if (news.wrong) {
      list(at("oven-loud"), [news.wrong], "p");
      return;
    }
    page.have.parts = news.parts;
    if (page.phase === undefined) {
      pullcue.remember();
    }
    if (page.root.dataset.phase !== news.phase || page.phase === undefined) {
      const form = at("oven-begin");
      if (form) {
        form.open = news.phase === "none"; // later it is only looked up
      }
      if (page.phase === "none") {
        window.scrollTo(0, 0); // the button that began the heat is gone: to the cue
      }
      page.phase = page.root.dataset.phase = news.phase;
    }
    pullcue.sheet(["in", "out"].includes(news.phase) ? news.figure.split("-")[0] : "");
    page.root.dataset.live = String(news.live);
    put(at("oven-stale"), news.stale ? `No readings for ${news.stale}` : "");
    const loud = JSON.stringify(news.loud);
    if (page.loud !== loud) {
      page.loud = loud;
      list(at("oven-loud"), news.loud, "p");
    }
    if (at("oven-cut")) {
      at("oven-cut").hidden = !news.cut;
    }
    put(at("oven-to"), news.count[0]);
    put(at("oven-count"), news.count[1]);
    put(at("oven-at"), news.at);
    put(page.root.querySelector(".since"), news.phase === "in" ? "in the oven " : "since it went in ");
    if (news.cue) {
      cue(page, news.cue);
    }
    strip();
    if (news.title !== undefined) {
      put(at("oven-title"), news.title);
    }
    if (news.labels) {
      at("oven-table").replaceChildren(...news.labels.map((label) => {
        const row = document.createElement("div");
        row.append(Object.assign(document.createElement("dt"), { textContent: label }), document.createElement("dd"));
        return row;
      }));
    }
    if (news.table || news.labels) {
      page.table = news.table || page.table;
      at("oven-table").querySelectorAll("dd").forEach((place, row) => put(place, page.table[row]));
    }
    if (news.notes) {
      list(at("oven-notes"), news.notes, "li");
    }
    if (news.marks) {
      list(at("oven-marked"), news.marks, "li");
    }
    if (news.last && at("oven-undo")) {
      const button = at("oven-undo");
      button.dataset.undoes = news.last[0] || "";
      put(button, news.last.length ? `Take back: ${news.last[1]}` : "Nothing to take back");
    }
    if (news.judged) {
      list(at("oven-judged"), news.judged, "p");
    }
    if (news.outcome !== undefined) {
      put(at("oven-outcome"), news.outcome ? `Kept: ${news.outcome}.` : "");
    }
    page.frame = news.frame === undefined ? page.frame : news.frame;
    pullcue.sag(at("oven-sag"), news.sag && { ...page.frame, ...news.sag }, at("oven-sag-card"));
    curve(page, news);
  };

  // Scrolled down to the marks the cue stays to be seen, in one line; it says what the cue says.
  const strip = () => {
    const line = at("oven-strip"), whole = at("oven-cue");
    if (!line || !whole || line.hidden) {
      return;
    }
    if (line.dataset.key !== whole.dataset.key || !at("oven-strip-shape").firstChild) {
      line.dataset.key = whole.dataset.key;
      at("oven-strip-shape").innerHTML = pullcue.shape(whole.dataset.key);
    }
    const stale = at("oven-stale").textContent;
    put(at("oven-strip-word"), stale || at("oven-word").textContent);
    put(at("oven-strip-count"), stale ? "" : at("oven-count").textContent);
  };
  const cueSeen = new IntersectionObserver((entries) => {
    const line = at("oven-strip");
    if (line) {
      line.hidden = entries[entries.length - 1].isIntersecting;
      strip();
    }
  }, { rootMargin: "-40px 0px 0px 0px" });

  // ------------------------------------------------------------ the curve, which only grows

  const chart = () => document.querySelector("#oven-curve .js-plotly-plot");

  const curve = (page, news) => {
    const card = at("oven-picture");
    card.hidden = news.figure === "";
    if (news.figure === "") {
      page.have.figure = "";
      return;
    }
    if (news.figure !== page.have.figure) {
      redraw(page);
      return;
    }
    const graph = chart();
    if (!news.rows || !graph || !graph.layout || graph.layout.meta !== page.have.figure) {
      return;
    }
    const places = growing(graph);
    if (Number(page.have.thinned) < news.thinned) {
      draw(page, graph, places);
    }
    for (; Number(page.have.thinned) < news.thinned; page.have.thinned = Number(page.have.thinned) + 1) {
      const half = (values) => values.filter((_, place) => place % 2 === 0);
      window.Plotly.restyle(graph, { x: places.map((place) => half(graph.data[place].x)),
        y: places.map((place) => half(graph.data[place].y)) }, places);
      page.have.rows = Math.ceil(page.have.rows / 2);
    }
    page.undrawn.push(...news.rows);
    page.have.rows = Number(page.have.rows) + news.rows.length;
    const drawn = graph.data[places[0]].x, until = drawn[drawn.length - 1] || 0;
    const newest = page.undrawn.length ? page.undrawn[page.undrawn.length - 1][0] : until;
    if (newest - until >= DRAWN_EVERY - 0.005 && page.charted && !document.hidden) {
      // The cue first.
      window.requestAnimationFrame(() => window.setTimeout(() => {
        if (graph.isConnected && graph.layout.meta === page.have.figure) {
          draw(page, graph, places);
        }
      }));
    }
  };

  // Nobody sees a chart that is scrolled out of sight: it is drawn as it comes near.
  const chartSeen = new IntersectionObserver((entries) => {
    const page = pullcue.page;
    page.charted = entries[entries.length - 1].isIntersecting;
    const graph = chart();
    if (page.charted && page.undrawn.length && graph && graph.layout && graph.layout.meta === page.have.figure) {
      draw(page, graph, growing(graph));
    }
  }, { rootMargin: "100px 0px 100px 0px" });

  const growing = (graph) =>
    graph.data.map((one, place) => (one.meta === "grows" ? place : -1)).filter((place) => place >= 0);

  const draw = (page, graph, places) => {
    const rows = page.undrawn.splice(0);
    if (rows.length) {
      const minutes = rows.map((row) => row[0]);
      window.Plotly.extendTraces(graph, { x: places.map(() => minutes),
        y: places.map((_, place) => rows.map((row) => row[place + 1])) }, places);
    }
  };

  const redraw = async (page) => {
    if (page.drawing) {
      return;
    }
    page.drawing = true;
    const whole = await ask(`/oven/figure?${new URLSearchParams({ bench: page.config.bench })}`);
    page.drawing = false;
    if (whole && !whole.wrong && page.root.isConnected) {
      whole.figure.layout.meta = whole.key;
      Object.assign(page.have, { figure: whole.key, rows: whole.rows, thinned: whole.thinned });
      page.undrawn = [];
      window.dash_clientside.set_props("oven-curve", { figure: whole.figure });
    }
  };

  // ------------------------------------------------------------ beginning

  const look = () => {
    const root = document.querySelector("[data-oven]");
    if (root && (!pullcue.page || pullcue.page.root !== root)) {
      const page = { root, config: JSON.parse(root.dataset.oven), have: {}, lost: 0, undrawn: [], heard: performance.now() };
      pullcue.page = page;
      if (page.config.bench) {
        cueSeen.observe(at("oven-cue"));
        chartSeen.observe(at("oven-picture"));
      }
      turn(page);
    }
  };
  new MutationObserver(look).observe(document.documentElement, { childList: true, subtree: true });
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && pullcue.page && pullcue.page.root.isConnected) {
      pullcue.page.heard = performance.now();
      turn(pullcue.page);
    }
  });
  window.setInterval(() => {
    const page = pullcue.page;
    if (page && page.root.isConnected && !document.hidden && performance.now() - page.heard > pullcue.lost_ms) {
      lose(page);
    }
  }, 500);
})();
