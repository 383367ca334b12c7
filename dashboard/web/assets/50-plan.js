// The plan page: sliders with readouts that follow the hand, and an address that can be kept.
(function () {
  "use strict";
  // A slider waits for so long a rest of the hand before the server is asked, ms.
  const REST = 150;
  // Steps of a slider by the keys that move it; Home and End are the browser's own.
  const KEYS = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1, PageUp: 5, PageDown: -5 };
  const onto = (value, step) => Number((Math.round(value / step) * step).toFixed(6));

  const fraction = (inches) => {
    const count = Math.round(inches * 32);
    if (count === 0 || Math.abs(inches - count / 32) * 25.4 > 0.02) {
      return null;
    }
    let over = count, under = 32;
    while (over % 2 === 0 && under > 1) {
      over /= 2;
      under /= 2;
    }
    return under === 1 ? `${over}` : `${over}/${under}`;
  };
  const words = (field, value) => {
    const us = field.dataset.shownIn === "us";
    if (field.dataset.readout === "temperature") {
      return [`${Math.round(value)} ${us ? "°F" : "°C"}`, ""];
    }
    if (!us) {
      return [`${value.toFixed(1)} mm`, ""];
    }
    return [`${fraction(value) || value.toFixed(3)} in`, ` ${(value * 25.4).toFixed(1)} mm`];
  };
  const read = (field, slider) => {
    const [main, more] = words(field, Number(slider.value));
    const small = document.createElement("small");
    small.textContent = more;
    field.querySelector(".readout").replaceChildren(main, small);
    slider.setAttribute("aria-valuetext", main + more);
  };

  // While a plan is asked for, what still stands there is of the settings before. Dash asks for the newest before the one
  // before it has come.
  const ask = window.fetch;
  let asked = 0;
  const busy = (more) => {
    asked += more;
    const results = document.getElementById("plan-results");
    if (results) {
      results.setAttribute("aria-busy", String(asked > 0));
    }
  };
  window.fetch = async (...request) => {
    const body = request[1] && request[1].body;
    const mine = typeof body === "string" && body.includes("plan-answer.children") ? 1 : 0;
    busy(mine);
    try {
      return await ask(...request);
    } finally {
      busy(-mine);
    }
  };

  const waiting = new Map();
  const tell = (field, slider) => {
    read(field, slider);
    const id = field.dataset.slider;
    window.clearTimeout(waiting.get(id));
    const now = () => {
      waiting.delete(id);
      window.dash_clientside.set_props(id, { data: Number(slider.value) });
    };
    waiting.set(id, window.setTimeout(now, REST));
  };
  const show = (field, slider, value) => {
    // A value beyond the ends is shown where it is: the ends give way, the value never does.
    slider.min = Math.min(Number(field.dataset.low), value);
    slider.max = Math.max(Number(field.dataset.high), value);
    slider.value = value;
    read(field, slider);
  };
  const furnish = (field) => {
    const slider = document.createElement("input");
    Object.assign(slider, { type: "range", id: `${field.dataset.slider}-slider`, step: "any" });
    const step = Number(field.dataset.step);
    slider.addEventListener("input", () => {
      slider.value = onto(Number(slider.value), step);
      tell(field, slider);
    });
    const move = (steps) => {
      slider.value = onto(Number(slider.value), step) + steps * step;
      tell(field, slider);
    };
    // The browser's own move of a hundredth of the scale may be less than half a step, and then none.
    slider.addEventListener("keydown", (event) => {
      if (KEYS[event.key] && !event.altKey && !event.ctrlKey && !event.metaKey) {
        event.preventDefault();
        move(KEYS[event.key]);
      }
    });
    field.querySelectorAll("[data-way]").forEach((button) => {
      button.addEventListener("click", () => move(button.dataset.way === "less" ? -1 : 1));
    });
    field.querySelector(".slider").replaceChildren(slider);
    show(field, slider, Number(field.dataset.value));
  };
  const look = () => {
    document.querySelectorAll("[data-slider]").forEach((field) => {
      if (!field.querySelector("input[type=range]")) {
        furnish(field);
      }
    });
  };
  new MutationObserver(look).observe(document.documentElement, { childList: true, subtree: true });

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    pullcue: {
      show_value: function (value, id) {
        const slider = document.getElementById(`${id}-slider`);
        if (slider && !waiting.has(id) && typeof value === "number" && Number(slider.value) !== value) {
          show(slider.closest("[data-slider]"), slider, value);
        }
      },
      keep_address: function (query, part) {
        if (!query) {
          return window.dash_clientside.no_update;
        }
        const whole = part ? `${query}&${part}` : query;
        window.history.replaceState(window.history.state, "", `/plan?${whole}`);
        return `/plan/sheet?${whole}`;
      },
      take_along: function (query) {
        return query ? `/oven?${query}` : "/oven";
      },
      show_bubble: function (support) {
        return support !== "frame";
      },
    },
  });
})();
