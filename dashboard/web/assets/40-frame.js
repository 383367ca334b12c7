// The switches of the frame, the word of a lost connection, and what pages share. No state but cookies and the page.
(function () {
  "use strict";
  const root = document.documentElement;
  const keep = (name, value) => {
    document.cookie = `${name}=${value}; path=/; max-age=31536000; SameSite=Strict`;
  };

  document.addEventListener("click", (event) => {
    const units = event.target.closest("[data-units]");
    if (units) {
      keep("pullcue_units", units.dataset.units);
      window.location.reload();
    }
    if (event.target.closest("[data-theme-switch]")) {
      const system = window.matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light";
      const theme = (root.dataset.theme || system) === "dark" ? "light" : "dark";
      root.dataset.theme = theme;
      keep("pullcue_theme", theme);
    }
  });

  // Lists and buttons of the browser's own tell Dash what was chosen.
  document.addEventListener("click", (event) => {
    const chip = event.target.closest("button[data-fills]");
    if (chip) {
      chip.parentElement.querySelectorAll("[aria-pressed]").forEach((one) => {
        one.setAttribute("aria-pressed", String(one === chip));
      });
      window.dash_clientside.set_props(chip.dataset.fills, { data: chip.dataset.value });
    }
  });
  document.addEventListener("change", (event) => {
    const list = event.target.closest("select[data-fills]");
    if (list) {
      window.dash_clientside.set_props(list.dataset.fills, { data: list.value });
    }
  });

  // Every answer of the server passes here: one that fails to come is said in the largest type of the page.
  const ask = window.fetch.bind(window);
  let lost = null;
  const say = (words) => {
    const place = document.getElementById("connection");
    if (place && place.textContent !== words) {
      place.textContent = words;
    }
  };
  const found = () => {
    if (lost !== null) {
      window.clearInterval(lost);
      lost = null;
      window.location.reload();
    }
  };
  const lose = () => {
    say("No connection to Pullcue. What you see is old.");
    if (lost === null) {
      lost = window.setInterval(() => ask("/assets/icon.svg", { cache: "no-store" }).then(found, () => {}), 2000);
    }
  };
  // What a page can say no more, since it is being left: the next one takes it up, and says it.
  const UNSAID = "pullcue_unsaid";
  const leave = (words) => {
    if (words) {
      window.sessionStorage.setItem(UNSAID, words);
    } else {
      window.sessionStorage.removeItem(UNSAID);
    }
  };
  const unsaid = () => {
    const words = window.sessionStorage.getItem(UNSAID) || "";
    leave("");
    return words;
  };
  // A chart that grew wider (a tablet was turned) keeps the room of its old legend, and lays the new one over the lines.
  const overlaid = (graph) => {
    const legend = graph.querySelector(".legend"), grid = graph.querySelector(".gridlayer");
    const above = graph.layout && graph.layout.legend && graph.layout.legend.yanchor === "bottom";
    return above && legend && grid && legend.getBoundingClientRect().bottom > grid.getBoundingClientRect().top + 2;
  };
  const settle = (times) => {
    [...document.querySelectorAll(".js-plotly-plot")].filter(overlaid).forEach((graph) => window.Plotly.redraw(graph));
    turned = times > 0 ? window.setTimeout(settle, 400, times - 1) : 0;
  };
  let turned = 0;
  window.addEventListener("resize", () => {
    window.clearTimeout(turned);
    turned = window.setTimeout(settle, 400, 6);
  });
  // Pages that ask again and again tell of an answer that does not come at all.
  window.pullcue_frame = { lose, leave, unsaid };
  window.fetch = async (...request) => {
    let answer;
    try {
      answer = await ask(...request);
    } catch (error) {
      if (error.name !== "AbortError") {
        lose();
      }
      throw error;
    }
    if (!answer.ok && answer.status !== 304) {
      // A session that is over, or a server that was started anew and knows this page's token no more: a fresh page
      // mends both. Once; what a fresh page does not mend is said.
      const last = Number(window.sessionStorage.getItem("pullcue_mended")) || 0;
      if ((answer.status === 400 || answer.status === 401) && Date.now() - last > 10000) {
        window.sessionStorage.setItem("pullcue_mended", String(Date.now()));
        window.location.reload();
      } else {
        say(`Pullcue refused that (${answer.status}). Reload the page.`);
      }
    }
    return answer;
  };
})();
