// The page of the records: fields, searching, choosing heats to compare, and what is kept by a click.
(function () {
  "use strict";
  const at = (id) => document.getElementById(id);
  const MOST = 20;
  // A request may be 1 MB: a larger photo is made smaller here, px and bytes.
  const LARGEST = 950000;
  const SIDES = [2400, 1800, 1200, 800];

  const token = () => {
    const name = JSON.parse(at("_dash-config").textContent).csrf_token_name;
    const found = document.cookie.split("; ").find((one) => one.startsWith(`${name}=`));
    return found ? decodeURIComponent(found.slice(name.length + 1)) : "";
  };
  const toast = (words, wrong) => {
    const place = at("records-toast");
    place.className = wrong ? "toast wrong" : "toast";
    place.textContent = words;
  };
  const typed = (name) => (at(`records-${name}`) ? at(`records-${name}`).value : "");
  const initials = (name) => {
    const value = typed(name);
    if (value) {
      window.localStorage.setItem("pullcue_initials", value);
    }
    return value;
  };

  const send = async (address, body, type, button) => {
    button.disabled = true;
    let answer;
    try {
      const sent = await window.fetch(address, { method: "POST", headers: { "Content-Type": type, "X-CSRFToken": token() }, body: body });
      if (sent.status === 400 || sent.status === 401) {
        // Not this page's token, or nobody is signed in: the page is about to be loaded anew.
        window.pullcue_frame.leave("Not kept: the page was out of date and has been loaded anew. Enter it again.");
        toast("Not kept. Reload this page and enter it again.", true);
        button.disabled = false;
        return;
      }
      answer = await sent.json();
    } catch (error) {
      answer = { wrong: "Not kept: there is no connection to Pullcue, or it refused that." };
    }
    button.disabled = false;
    if (answer.doubtful) {
      // Asked once: a second press keeps it as measured again; what is typed meanwhile is asked about anew.
      button.dataset.sure = "yes";
      button.dataset.words = button.dataset.words || button.textContent;
      button.textContent = "Measured again: keep it";
    }
    toast(answer.wrong || answer.said, Boolean(answer.wrong));
    if (!answer.wrong) {
      window.setTimeout(() => window.location.reload(), 900);
    }
  };
  const tell = (deed, button) => send("/records/do", JSON.stringify(deed), "application/json", button);
  const heat = () => document.querySelector("[data-heat]").dataset.heat;

  const wall = (button) => tell({
    what: "wall", heat: heat(), units: document.querySelector("[data-measures]").dataset.measures, place: typed("place"),
    level: typed("level"), wall: typed("wall"), sure: button.dataset.sure || "", initials: initials("wall-by"),
  }, button);
  const unsure = () => {
    const button = at("records-keep-wall");
    if (button && button.dataset.sure) {
      delete button.dataset.sure;
      button.textContent = button.dataset.words;
    }
  };

  const smaller = async (file) => {
    if (file.size <= LARGEST) {
      return file; // as it is; the server looks into it
    }
    const picture = await window.createImageBitmap(file);
    for (const side of SIDES) {
      const scale = Math.min(1, side / Math.max(picture.width, picture.height));
      const canvas = document.createElement("canvas");
      canvas.width = Math.round(picture.width * scale);
      canvas.height = Math.round(picture.height * scale);
      canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
      const made = await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.85));
      if (made && made.size <= LARGEST) {
        return made;
      }
    }
    throw new Error("too large");
  };
  const photo = async (button) => {
    const file = at("records-photo").files[0];
    if (!file) {
      toast("Choose a photo first.", true);
      return;
    }
    let content;
    try {
      content = await smaller(file);
    } catch (error) {
      toast("This is no picture that can be shown: choose a photo as JPEG, PNG or WebP.", true);
      return;
    }
    send(`/records/photo?heat=${heat()}`, content, "application/octet-stream", button);
  };

  const chosen = () => [...document.querySelectorAll("[data-choose][aria-checked=true]")].map((one) => one.dataset.choose);
  const choose = (box) => {
    const on = box.getAttribute("aria-checked") !== "true";
    if (on && chosen().length >= MOST) {
      toast(`At most ${MOST} heats are compared.`, true);
      return;
    }
    box.setAttribute("aria-checked", String(on));
    const count = chosen().length;
    at("records-compare").disabled = count < 2;
    at("records-compare").textContent = count ? `Compare the ${count} chosen` : "Compare the chosen";
  };

  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (!button || !document.querySelector(".records")) {
      return;
    }
    if (button.dataset.choose) {
      choose(button);
    } else if (button.id === "records-compare") {
      window.location.assign(`/records?compare=${chosen().join(",")}`);
    } else if (button.id === "records-keep") {
      tell({ what: "keep", name: typed("search-name"), query: button.dataset.query }, button);
    } else if (button.dataset.drop !== undefined) {
      tell({ what: "drop", name: button.dataset.drop }, button);
    } else if (button.id === "records-keep-outcome") {
      tell({ what: "outcome", heat: heat(), outcome: typed("outcome"), kind: typed("kind"), initials: initials("outcome-by") }, button);
    } else if (button.id === "records-correct") {
      tell({ what: "correct", heat: heat(), entry: typed("entry"), value: typed("value"), why: typed("why"), initials: initials("correct-by") }, button);
    } else if (button.id === "records-keep-wall") {
      wall(button);
    } else if (button.id === "records-keep-photo") {
      photo(button);
    }
  });
  document.addEventListener("input", (event) => {
    if (event.target.closest("#records-walls")) {
      unsure();
    }
  });
  document.addEventListener("submit", (event) => {
    const form = event.target.closest("[data-records-search]");
    if (form) {
      event.preventDefault();
      const query = new URLSearchParams();
      form.querySelectorAll("input, select").forEach((one) => {
        if (one.value.trim()) {
          query.set(one.id.slice("records-".length), one.value.trim());
        }
      });
      window.location.assign(query.size ? `/records?${query}` : "/records");
    }
  });

  // Dash has no plain field: they are put where the page says.
  const furnish = () => {
    document.querySelectorAll("[data-field]").forEach((place) => {
      if (!place.firstChild) {
        const given = place.dataset;
        const field = document.createElement("input");
        const type = given.kind === "initials" ? "text" : given.kind;
        Object.assign(field, { id: `records-${given.field}`, type: type, autocomplete: "off", spellcheck: false });
        if (type === "file") {
          field.accept = "image/jpeg,image/png,image/webp";
        } else {
          field.maxLength = Number(given.longest);
          field.value = given.kind === "initials" ? window.localStorage.getItem("pullcue_initials") || "" : given.value;
        }
        place.append(field);
      }
    });
  };
  // The table comes as a part of the page, made by the server: its texts are escaped there.
  const fill = async (place) => {
    const answer = await window.fetch(place.dataset.rows);
    if (answer.ok) {
      place.innerHTML = await answer.text();
    }
    delete place.dataset.rows;
  };
  // Pictures below are drawn when they come near the window: all at once they hold the page up for seconds.
  const draw = (place) => {
    near.unobserve(place);
    if (place.dataset.later) {
      window.dash_clientside.set_props(place.id, { children: JSON.parse(place.dataset.later) });
      place.removeAttribute("data-later");
    }
  };
  const near = new IntersectionObserver((seen) => seen.filter((one) => one.isIntersecting).forEach((one) => draw(one.target)), { rootMargin: "150px" });
  const waiting = () => document.querySelectorAll("[data-later]");
  window.addEventListener("beforeprint", () => waiting().forEach(draw));
  const look = () => {
    furnish();
    const place = at("records-toast");
    if (place && place.dataset.asked === undefined) {
      place.dataset.asked = "";
      toast(window.pullcue_frame.unsaid(), true);
    }
    waiting().forEach((place) => near.observe(place));
    document.querySelectorAll("[data-rows]:not([data-asked])").forEach((place) => {
      place.dataset.asked = "";
      fill(place);
    });
  };
  new MutationObserver(look).observe(document.documentElement, { childList: true, subtree: true });
})();
