"use strict";
// Shows a run as it goes on: takes the state that the server sends once a second, and asks for the plots that are in view.
(() => {
  const MOST_EVENTS = 500;
  const OLD_S = 10;
  const QUIET_S = 60;
  const base = document.body.dataset.base;
  const at = (id) => document.getElementById(id);
  let state = null;
  let looked = null;  // the span that is shown, where it is not the whole run
  let oldest = null;
  let asked = false;
  let again = false;

  function element(kind, text, name) {
    const made = document.createElement(kind);
    if (text !== undefined) made.textContent = text;
    if (name) made.className = name;
    return made;
  }

  function row(...cells) {
    const made = document.createElement("tr");
    for (const cell of cells) made.append(cell instanceof Node ? cell : element("td", cell));
    return made;
  }

  const number = (text) => element("td", text, "n");
  const wide = (text) => element("td", text, "t");

  function spell(seconds) {
    const parts = [[86400, "d"], [3600, "h"], [60, "min"], [1, "s"]];
    const found = [];
    for (const [size, unit] of parts) {
      if (seconds >= size || (size === 1 && !found.length)) found.push(`${Math.floor(seconds / size)} ${unit}`);
      seconds %= size;
    }
    return found.slice(0, 2).join(" ");
  }

  function nodes() {
    const rows = [];
    for (const node of state.nodes) {
      const name = element("td", node.name);
      const more = [node.battery && `battery ${node.battery}`, node.life && `modelled life ${node.life}`].filter(Boolean);
      if (more.length) name.append(element("br"), element("span", more.join(", "), "hint"));
      const channels = node.channels.length ? node.channels : [null];
      channels.forEach((channel, place) => {
        const first = place === 0
          ? [name, element("td", node.state, node.state === "connected" || node.state === "listening" ? "pass" : node.state === "ended" ? "" : "old"), number(String(node.disconnects))]
          : [element("td"), element("td"), element("td")];
        if (channel === null) { rows.push(row(...first, "", "", number(""), number(""), number(""), wide("nothing came yet"))); return; }
        const age = channel.age_s === null ? "" : channel.age_s > OLD_S ? `${spell(channel.age_s)} ago` : `${channel.age_s.toFixed(1)} s`;
        const aged = number(age);
        if (channel.age_s > OLD_S) aged.classList.add("old");
        const newest = channel.newest.map(([field, value]) => `${field} ${value}`).join(", ");
        rows.push(row(...first, channel.name, channel.utc, aged, number(channel.values.toLocaleString("en")),
          number(String(channel.faults)), wide(newest)));
      });
    }
    at("node-rows").replaceChildren(...rows);
    const choose = at("choose");
    if (state.nodes.length > 1) {
      for (const node of state.nodes) {
        if (choose.querySelector(`[data-show="${CSS.escape(node.name)}"]`)) continue;
        const button = element("button", node.name);
        button.type = "button";
        button.dataset.show = node.name;
        button.setAttribute("aria-pressed", "false");
        choose.append(button);
      }
    }
  }

  function rules() {
    const { rows, utc } = state.requirements;
    const now = state.running ? "as they would stand if the run ended now, by what there was" : "as they stand by what there is";
    at("judged").textContent = utc ? `${now[0].toUpperCase()}${now.slice(1)} at ${utc} UTC; what fails comes first.` : "Not worked out yet.";
    const order = ["fail", "inconclusive", "pass"];
    const sorted = rows.toSorted((a, b) => order.indexOf(a.verdict) - order.indexOf(b.verdict));
    at("rule-rows").replaceChildren(...sorted.map((one) => {
      const verdict = element("td");
      verdict.append(element("span", one.word, one.verdict));
      return row(verdict, one.node, one.subject, one.figure, number(one.found), number(one.bounds), number(one.required), wide(one.why));
    }));
  }

  function head() {
    const failed = state.requirements.rows.filter((one) => one.verdict === "fail").length;
    const open = state.requirements.rows.filter((one) => one.verdict === "inconclusive").length;
    const met = `${state.requirements.rows.length - failed - open} of ${state.requirements.rows.length} requirements`;
    const told = !state.requirements.rows.length ? "no verdict yet"
      : state.running ? `${met} would be met by now, ${failed} failed, ${open} open`
      : `${met} met, ${failed} failed, ${open} inconclusive`;
    const quiet = state.running && state.quiet_s > QUIET_S
      ? `; nothing was written for ${spell(state.quiet_s)}: it goes on in silence, or was cut off` : "";
    at("word").textContent = state.running ? "running" : state.requirements.verdict || "ended";
    at("head").className = `verdict ${state.running ? "" : ({ pass: "pass", FAIL: "fail", inconclusive: "inconclusive" })[state.requirements.verdict] || ""}`;
    const read = state.read < 1 ? `; ${Math.floor(100 * state.read)} % of the log read so far, the newest first` : "";
    at("about").textContent = `${state.running ? "for" : `ended ${state.ended}, after`} ${spell(state.lasted_s)}, ${state.values.toLocaleString("en")} values; ${told}${read}${quiet}`;
  }

  function eventRow(one) {
    const look = element("td");
    const button = element("button", "minute before");
    button.type = "button";
    button.addEventListener("click", () => {
      const to = Date.parse(`${one.utc.replace(" ", "T").replace(/Z?$/, "Z")}`);
      const from = Math.max(to - 60000, state.first_ms);
      document.dispatchEvent(new CustomEvent("look", { detail: { from, to: to + 2000 } }));
      at("plotted").scrollIntoView();
    });
    look.append(button);
    const made = row(one.utc, one.node, one.kind, wide(one.detail), look);
    if (one.kind === "lost") made.children[2].className = "fail";
    return made;
  }

  function events(fresh) {
    const body = at("event-rows");
    for (const one of fresh) {
      oldest = oldest === null ? one.number : Math.min(oldest, one.number);
      body.prepend(eventRow(one));
    }
    while (body.children.length > MOST_EVENTS && fresh.length) body.lastElementChild.remove();
  }

  at("earlier").addEventListener("click", async () => {
    const found = await (await fetch(`${base}/events${oldest === null ? "" : `?before=${oldest}`}`)).json();
    for (const one of found.toReversed()) {
      oldest = Math.min(oldest ?? one.number, one.number);
      at("event-rows").append(eventRow(one));
    }
    at("earlier").hidden = found.length === 0;
  });

  function notes() {
    at("note-rows").replaceChildren(...state.notes.map((one) => element("li", `${one.utc} UTC: ${one.text}${one.by ? ` (${one.by})` : ""}`)));
  }

  at("note").addEventListener("submit", async (event) => {
    event.preventDefault();
    const answer = await fetch(`${base}/note`, { method: "POST", body: JSON.stringify({ text: at("text").value }) });
    at("noted").textContent = answer.ok ? "written down" : await answer.text();
    if (answer.ok) {
      const one = await answer.json();
      state.notes.push(one);
      notes();
      at("text").value = "";
    }
  });

  function places() {
    for (const plot of state.plots) {
      if (document.querySelector(`[data-plot="${CSS.escape(plot.name)}"]`)) continue;
      let section = document.querySelector(`section.node[data-node="${CSS.escape(plot.node)}"]`);
      if (section === null) {
        section = element("section", undefined, "node");
        section.dataset.node = plot.node;
        const title = element("h2", plot.node);
        title.id = `title-${plot.node}`;
        section.setAttribute("aria-labelledby", title.id);
        section.append(title, element("div", undefined, "plots"));
        at("plotted").append(section);
      }
      const figure = element("figure");
      const caption = element("figcaption");
      caption.append(element("b", plot.title), " ", element("span"));
      const place = element("div", undefined, "plot");
      place.dataset.plot = plot.name;
      place.setAttribute("role", "img");
      place.setAttribute("aria-label", `${plot.title} of ${plot.node}`);
      figure.append(caption, place);
      section.querySelector(".plots").append(figure);
    }
  }

  async function draw() {
    if (asked) { again = true; return; }
    if (state === null) return;
    const wanted = [...document.querySelectorAll(".plot")].filter((place) => place.dataset.seen !== "" || !place.dataset.had);
    if (!wanted.length) return;
    asked = true;
    try {
      for (let first = 0; first < wanted.length; first += 50) {
        const query = new URLSearchParams(wanted.slice(first, first + 50).map((place) => ["name", place.dataset.plot]));
        if (looked) { query.append("from", Math.floor(looked.from)); query.append("to", Math.ceil(looked.to)); }
        const answer = await fetch(`${base}/plots?${query}`);
        if (!answer.ok) break;
        const plots = await answer.json();
        for (const place of wanted) {
          const plot = plots[place.dataset.plot];
          if (plot === undefined) continue;
          place.dataset.had = "yes";
          place.previousElementSibling.lastElementChild.textContent = plot.said;
          place.setAttribute("aria-label", `${place.previousElementSibling.textContent}`);
        }
        document.dispatchEvent(new CustomEvent("plots", { detail: { plots, whole: [state.first_ms, Math.max(state.last_ms, state.first_ms + 1)] } }));
      }
    } finally {
      asked = false;
    }
    if (again) { again = false; draw(); }
  }

  document.addEventListener("seen", draw);
  document.addEventListener("looked", ({ detail }) => { looked = detail.all ? null : detail; draw(); });

  function connect() {
    const source = new EventSource(`${base}/now`);
    source.addEventListener("state", (event) => {
      state = JSON.parse(event.data);
      at("trouble").hidden = true;
      head(); nodes(); rules(); notes(); places();
      events(state.events);
      draw();
    });
    source.addEventListener("over", (event) => {
      at("trouble").hidden = false;
      at("trouble").textContent = `${JSON.parse(event.data).why}; looking again`;
    });
    source.addEventListener("error", async () => {
      at("trouble").hidden = false;
      at("trouble").textContent = "the server does not answer; what stands here is from before, and the page goes on once it does";
      if (source.readyState !== EventSource.CLOSED) return;  // else the browser asks again by itself
      const answer = await fetch(`${base}/events`).catch(() => null);
      if (answer !== null && !answer.ok) at("trouble").textContent = `${await answer.text()}; looking again`;
      setTimeout(connect, 3000);
    });
  }
  connect();
})();
