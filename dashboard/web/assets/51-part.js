// The part's section of the plan page: the mold's table as rows to type in, a mold's file, and when an answer is old.
(function () {
  "use strict";
  // Typing waits for so long a rest, ms.
  const REST = 400;
  const FEWEST = 6;
  const at = (id) => document.getElementById(id);
  const tell = (id, what) => window.dash_clientside.set_props(id, what);
  const made = (tag, parts, inner) => {
    const one = Object.assign(document.createElement(tag), parts);
    one.append(...inner);
    return one;
  };

  // ------------------------------------------------------------ the table

  let waiting = 0;
  let mesh = false;
  const rows = (field) =>
    [...field.querySelectorAll("tbody tr")].map((row) => [...row.querySelectorAll("input")].map((one) => one.value.trim()));
  const hand = (field) => {
    window.clearTimeout(waiting);
    const full = rows(field);
    while (full.length && !full[full.length - 1].some((text) => text)) {
      full.pop();
    }
    tell("part-table", { data: full });
  };
  const cell = (field, what, number, value) => {
    const input = made("input", { type: "text", inputMode: "decimal", value: value, autocomplete: "off" }, []);
    input.setAttribute("aria-label", `${what}, row ${number}, ${field.dataset.unit}`);
    return made("td", {}, [input]);
  };
  const add = (field, level, girth) => {
    const body = field.querySelector("tbody");
    const number = body.children.length + 1;
    const head = made("th", { scope: "row", textContent: number }, []);
    body.append(made("tr", {}, [head, cell(field, "Level", number, level), cell(field, "Girth", number, girth)]));
  };
  const grow = (field) => {
    const all = rows(field);
    if (!all.length || all[all.length - 1].some((text) => text)) {
      add(field, "", "");
    }
  };
  const fill = (field, values) => {
    field.querySelector("tbody").replaceChildren();
    values.forEach(([level, girth]) => add(field, level, girth));
    while (rows(field).length < FEWEST) {
      add(field, "", "");
    }
    grow(field);
  };
  const changed = (field) => {
    grow(field);
    if (mesh) {
      mesh = false;
      tell("part-mesh", { data: "" });
      at("part-read").textContent = "Changed by hand: now the table counts, no longer the mesh.";
    }
    window.clearTimeout(waiting);
    waiting = window.setTimeout(() => hand(field), REST);
  };
  // Rows copied from a table of any program: a line a row, two numbers in it.
  const pasted = (field, event) => {
    const text = event.clipboardData.getData("text");
    const lines = text.split(/\r?\n/).map((line) => line.trim().split(/[\t; ]+|,(?=\s)/)).filter((line) => line.length === 2);
    if (lines.length < 2) {
      return;
    }
    event.preventDefault();
    const from = [...field.querySelectorAll("tbody tr")].indexOf(event.target.closest("tr"));
    fill(field, [...rows(field).slice(0, Math.max(from, 0)), ...lines.filter((line) => /\d/.test(line[0]))]);
    changed(field);
  };
  const onward = (field, event) => {
    const all = [...field.querySelectorAll("input")];
    const next = all[all.indexOf(event.target) + 1];
    if (event.key === "Enter") {
      event.preventDefault();
      if (next) {
        next.focus();
      }
    }
  };
  const furnish = (field) => {
    const heads = ["", `Level, ${field.dataset.unit}`, `Girth, ${field.dataset.unit}`];
    const line = made("tr", {}, heads.map((words) => made(words ? "th" : "td", words ? { scope: "col", textContent: words } : {}, [])));
    const caption = made("caption", { textContent: "Girths by level, from the distal tip" }, []);
    field.replaceChildren(made("table", {}, [caption, made("thead", {}, [line]), made("tbody", {}, [])]));
    fill(field, JSON.parse(field.dataset.girths));
    field.addEventListener("input", () => changed(field));
    field.addEventListener("change", () => hand(field));
    field.addEventListener("paste", (event) => pasted(field, event));
    field.addEventListener("keydown", (event) => onward(field, event));
  };

  // ------------------------------------------------------------ a file

  const token = () => {
    const name = JSON.parse(at("_dash-config").textContent).csrf_token_name;
    const found = document.cookie.split("; ").find((one) => one.startsWith(`${name}=`));
    return found ? decodeURIComponent(found.slice(name.length + 1)) : "";
  };
  const say = (sentences, wrong) => {
    const place = at("part-read");
    place.className = wrong ? "wrong" : "hint";
    place.replaceChildren(...sentences.map((words) => made("span", { textContent: `${words} ` }, [])));
  };
  const press = (store, value) => {
    document.querySelectorAll(`[data-fills="${store}"]`).forEach((chip) => {
      chip.setAttribute("aria-pressed", String(chip.dataset.value === value));
    });
    tell(store, { data: value });
  };
  const take = (answer) => {
    fill(at("part-girths"), answer.rows);
    tell("part-table", { data: answer.rows });
    tell("part-mold", { value: answer.name });
    press("part-distal", answer.distal);
    mesh = Boolean(answer.mesh);
    tell("part-mesh", { data: answer.mesh });
    say([`Read: ${answer.name}, ${answer.rows.length} levels.`, ...answer.notes], false);
  };
  const send = async (place) => {
    const file = place.querySelector("input").files[0];
    if (!file) {
      return;
    }
    const most = Number(place.dataset.moldFile);
    if (file.size > most) {
      say([`The file has ${Math.round(file.size / 1e6)} MB: a page takes ${most / 1e6} MB at most. Thin the mesh, or read it with 'pullcue choose --mold'.`], true);
      return;
    }
    say([`Reading ${file.name}…`], false);
    const distal = document.querySelector('[data-fills="part-distal"][aria-pressed="true"]');
    const asked = new URLSearchParams({ name: file.name, unit: at("mold-unit").value, axis: at("mold-axis").value, flip: at("mold-flip").value, distal: distal ? distal.dataset.value : "" });
    try {
      const sent = await window.fetch(`/plan/mold?${asked}`, {
        method: "POST",
        headers: { "Content-Type": "application/octet-stream", "X-CSRFToken": token() },
        body: file,
      });
      const answer = await sent.json();
      if (answer.wrong) {
        say([answer.wrong], true);
      } else {
        take(answer);
      }
    } catch (error) {
      say([`${file.name} was not read: there is no connection to Pullcue.`], true);
    }
  };
  const opened = (place) => {
    const input = made("input", { type: "file", id: "mold-file", accept: ".toml,.csv,.stl,.obj,.ply" }, []);
    place.replaceChildren(made("label", { htmlFor: "mold-file", textContent: "Mold's file" }, []), input);
    input.addEventListener("change", () => send(place));
    ["mold-unit", "mold-axis", "mold-flip"].forEach((id) => at(id).addEventListener("change", () => send(place)));
  };

  const look = () => {
    document.querySelectorAll("[data-girths]").forEach((field) => field.querySelector("table") || furnish(field));
    document.querySelectorAll("[data-mold-file]").forEach((place) => place.querySelector("input") || (at("mold-flip") && opened(place)));
  };
  new MutationObserver(look).observe(document.documentElement, { childList: true, subtree: true });

  const OF_THE_PLAN = ["polymer", "oven", "set_c", "room_c"];
  const matters = (query) => {
    const values = new URLSearchParams(query);
    return OF_THE_PLAN.map((name) => values.get(name)).join("|");
  };
  window.dash_clientside = window.dash_clientside || {};
  Object.assign(window.dash_clientside.pullcue, {
    part_is_old: function (plan, part, asked) {
      return !asked || !plan || (matters(plan) === matters(asked.plan) && part === asked.part);
    },
  });
})();
