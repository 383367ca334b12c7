// What is done at the oven by a click: marks, the form, the outcome. Nothing is done twice, and nothing fails in silence.
(function () {
  "use strict";
  const pullcue = window.pullcue_oven;
  const at = (id) => document.getElementById(id);

  const toast = (words, wrong) => {
    const place = at("oven-toast");
    place.className = wrong ? "toast wrong" : "toast";
    pullcue.put(place, words);
    window.clearTimeout(pullcue.fading);
    if (!wrong) {
      pullcue.fading = window.setTimeout(() => pullcue.put(place, ""), 8000);
    }
  };

  const token = () => {
    const name = JSON.parse(at("_dash-config").textContent).csrf_token_name;
    const found = document.cookie.split("; ").find((one) => one.startsWith(`${name}=`));
    return found ? decodeURIComponent(found.slice(name.length + 1)) : "";
  };
  const typed = (name) => {
    const field = at(`oven-${name}`);
    return field ? field.value : "";
  };

  const named = (deed) => (deed.name || deed.outcome || { form: "the form", undo: "what was to be taken back" }[deed.what] ||
    deed.what).replaceAll("_", " ");
  const { leave, unsaid } = window.pullcue_frame;

  const tell = async (deed, button) => {
    const clock = new Date().toLocaleTimeString(), what = `${named(deed)} at ${clock}`;
    if (button) {
      button.disabled = true;
    }
    // Said by the next page where this one is left before an answer comes.
    leave(`It is not sure that this was kept: ${what}. Look whether it is listed; if not, do it again.`);
    const answer = await send(deed, what);
    if (!answer.stale) {
      leave("");
    }
    if (button) {
      button.disabled = false;
    }
    toast(answer.wrong || answer.said, Boolean(answer.wrong));
    return !answer.wrong;
  };

  const send = async (deed, what) => {
    const body = { bench: pullcue.page.config.bench, units: pullcue.page.config.units, initials: typed("initials"), ...deed };
    let sent = null;
    try {
      sent = await window.fetch("/oven/do", {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-CSRFToken": token() },
        body: JSON.stringify(body),
      });
      if (sent.status === 400 || sent.status === 401) {
        // Not this page's token, or nobody is signed in: the page is about to be loaded anew.
        leave(`Not kept: ${what}. The page was out of date and has been loaded anew. Do it again, and say how long ago it was.`);
        return { stale: true, wrong: `Not kept: ${what}. Write it down, reload this page, and do it again.` };
      }
      return await sent.json();
    } catch (error) {
      const why = sent ? `Pullcue answered ${sent.status} and nothing else.` : "There is no connection to Pullcue.";
      return { wrong: `Not kept: ${what}. Write it down. ${why}` };
    }
  };

  const form = () => {
    const found = { checks: [...document.querySelectorAll("[data-check][aria-pressed=true]")].map((one) => one.dataset.check) };
    document.querySelectorAll("[data-heat-form] select, [data-heat-form] input").forEach((one) => {
      found[one.id.slice("oven-".length)] = one.value;
    });
    found.initials = typed("initials");
    return found;
  };
  // What is said of one sheet is not left standing for the next: once the heat is over that it was said of, entries that
  // nobody changed since are emptied.
  const ONE_SHEET = ["job_number", "sheet_label", "notes"];
  let of = "";
  const keepOf = () => ONE_SHEET.map((name) => at(`oven-${name}`)).filter(Boolean).forEach((field) => {
    field.dataset.of = field.value;
  });
  pullcue.sheet = (heat) => {
    if (heat === of) {
      return;
    }
    if (of) {
      ONE_SHEET.map((name) => at(`oven-${name}`)).filter((field) => field && field.dataset.of === field.value)
        .forEach((field) => (field.value = ""));
    }
    of = heat;
    keepOf();
  };
  const ago = () => Number((document.querySelector("[data-ago][aria-pressed=true]") || { dataset: { ago: 0 } }).dataset.ago);
  const press = (chips, pressed) => chips.forEach((one) => one.setAttribute("aria-pressed", String(one === pressed)));

  const unwarned = () => {
    const button = at("oven-start");
    if (button && button.dataset.warned !== undefined) {
      delete button.dataset.warned;
      button.textContent = "Sheet is in: start";
      toast("", false); // what it said is no longer so
    }
  };

  const start = async (button) => {
    const missing = [...document.querySelectorAll("[data-check][aria-pressed=false]")].map((one) => one.textContent);
    if (missing.length && button.dataset.warned === undefined) {
      button.dataset.warned = "";
      button.textContent = "Start without these checks";
      toast(`Not checked: ${missing.join(", ")}. Check these, or press once more to start without.`, true);
      return;
    }
    if (await tell({ what: "start", form: form(), ago_s: ago() }, button)) {
      delete button.dataset.warned;
      button.textContent = "Sheet is in: start";
      press(document.querySelectorAll("[data-check]"), null);
    }
  };

  document.addEventListener("click", async (event) => {
    const hit = (selector) => event.target.closest(selector);
    const button = hit("button");
    if (!button || !pullcue.page) {
      return;
    }
    if (button.dataset.check) {
      button.setAttribute("aria-pressed", String(button.getAttribute("aria-pressed") !== "true"));
      unwarned();
    } else if (button.dataset.ago) {
      press(document.querySelectorAll("[data-ago]"), button);
    } else if (button.dataset.mark) {
      if (await tell({ what: "mark", name: button.dataset.mark, ago_s: ago() }, button)) {
        press(document.querySelectorAll("[data-ago]"), document.querySelector("[data-ago='0']"));
      }
    } else if (button.dataset.outcome) {
      tell({ what: "outcome", outcome: button.dataset.outcome, kind: typed("kind") }, button);
    } else if (button.id === "oven-undo") {
      tell({ what: "undo", mark: button.dataset.undoes || "" }, button);
    } else if (button.id === "oven-fill") {
      if (await tell({ what: "form", form: form() }, button)) {
        keepOf();
      }
    } else if (button.dataset.cut) {
      tell({ what: button.dataset.cut }, button);
    } else if (button.id === "oven-start") {
      start(button);
    }
  });
  document.addEventListener("submit", (event) => {
    if (event.target.closest("[data-heat-form]")) {
      event.preventDefault(); // Enter in a field starts no heat
    }
  });

  // Dash has no plain field: they are put where the page says, and the initials are kept in this browser.
  const furnish = () => {
    document.querySelectorAll("[data-input]").forEach((place) => {
      if (!place.firstChild) {
        const field = document.createElement("input");
        const given = place.dataset;
        Object.assign(field, { id: `oven-${given.input}`, type: "text", inputMode: given.mode, value: given.value,
          maxLength: Number(given.longest), autocomplete: "off", spellcheck: false });
        if (given.input === "initials") {
          field.value = window.localStorage.getItem("pullcue_initials") || "";
          field.addEventListener("change", () => window.localStorage.setItem("pullcue_initials", field.value));
        }
        place.append(field);
      }
    });
  };
  pullcue.remember = () => {
    const words = unsaid();
    if (words) {
      toast(words, true);
    }
  };
  new MutationObserver(furnish).observe(document.documentElement, { childList: true, subtree: true });
})();
