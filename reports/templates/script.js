"use strict";
(() => {
  // Everything here is a convenience: the page says the same without it.
  const all = (selector, root = document) => [...root.querySelectorAll(selector)];
  const make = (name, attributes, text) => {
    const made = document.createElement(name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text) made.textContent = text;
    return made;
  };
  document.documentElement.classList.add("js");
  const live = make("p", { role: "status", "aria-live": "polite", class: "v" });
  document.body.append(live);

  // Copying a mend, or all mends of one owner.
  const selectAndCopy = (text) => {
    const box = make("textarea", { readonly: "", class: "v" });
    box.value = text;
    document.body.append(box);
    box.select();
    const done = document.execCommand("copy");
    box.remove();
    return done;
  };
  const copy = async (button, text) => {
    let done = true;
    try { await navigator.clipboard.writeText(text); } catch { done = selectAndCopy(text); }
    const label = button.textContent;
    button.textContent = done ? "Copied" : "Not copied: select the text";
    live.textContent = button.textContent;
    setTimeout(() => { button.textContent = label; }, 1600);
  };
  const copyButton = (label, name, text) => {
    const button = make("button", { type: "button", class: "copy", "aria-label": name }, label);
    button.addEventListener("click", () => copy(button, text()));
    return button;
  };
  for (const mend of all(".mend")) {
    const pre = mend.querySelector("pre");
    mend.append(copyButton("Copy", "Copy this mend", () => pre.textContent));
  }
  for (const row of all(".owner-row")) {
    const owner = row.dataset.owner;
    const mends = () => all(".cause").filter((cause) => cause.dataset.owner === owner && cause.querySelector("pre"))
      .map((cause) => `${cause.querySelector("h3").textContent}\n${cause.querySelector("pre").textContent}`).join("\n\n");
    row.append(copyButton("Copy all", `Copy all mends for ${owner}`, mends));
  }

  // Search and filter over the matrix and the hosts.
  const hosts = all(".host");
  const planned = hosts.filter((host) => host.id !== "site");
  const rows = new Map(all(".matrix tbody tr").map((row) => [row.dataset.h, row]));
  const quiet = all(".quiet li");
  const words = new Map();
  const wordsOf = (host) => {
    if (!words.has(host)) words.set(host, host.textContent.toLowerCase());
    return words.get(host);
  };
  const search = make("input", { type: "search", placeholder: "Host, address, check, text …", "aria-label": "Search hosts and findings" });
  const counted = make("p", { role: "status" });
  const told = (number) => number.toLocaleString("en");
  const wanted = new Set();
  const filter = () => {
    const terms = search.value.toLowerCase().split(/\s+/).filter(Boolean);
    let shown = 0;
    for (const host of hosts) {
      const kept = (!wanted.size || wanted.has(host.dataset.v)) && terms.every((term) => wordsOf(host).includes(term));
      host.hidden = !kept;
      const row = rows.get(host.id);
      if (row) row.hidden = !kept;
      if (kept && host.id !== "site") shown += 1;
    }
    for (const item of quiet) item.hidden = document.getElementById(item.firstChild.hash.slice(1))?.hidden ?? false;
    const total = planned.length;
    counted.textContent = shown === total ? `${told(total)} hosts` : `${told(shown)} of ${told(total)} hosts shown`;
  };
  const tools = make("div", { class: "tools", role: "search" });
  tools.append(search);
  const kinds = [["f", "not ready"], ["u", "unproven"], ["c", "with cautions"], ["p", "ready"]];
  const found = kinds.filter(([key]) => planned.some((host) => host.dataset.v === key));
  // Where all hosts have one verdict there is nothing to choose from.
  for (const [key, word] of found.length > 1 ? found : []) {
    const button = make("button", { type: "button", "aria-pressed": "false" }, word);
    button.addEventListener("click", () => {
      if (!wanted.delete(key)) wanted.add(key);
      button.setAttribute("aria-pressed", String(wanted.has(key)));
      filter();
    });
    tools.append(button);
  }
  tools.append(counted);
  const showAll = () => {
    search.value = "";
    wanted.clear();
    for (const button of all("button[aria-pressed]", tools)) button.setAttribute("aria-pressed", "false");
    filter();
  };
  let waiting = 0;
  search.addEventListener("input", () => { clearTimeout(waiting); waiting = setTimeout(filter, 80); });
  document.querySelector("#top").after(tools);
  filter();

  // Sorting the matrix by a column: what to look at first comes first, a second press restores the order of the plan.
  const order = "fucwp";
  const table = document.querySelector(".matrix");
  if (table) {
    const plain = all("tbody tr", table);
    const weight = (row, column) => {
      const mark = row.cells[column].querySelector(".m");
      return mark ? order.indexOf(mark.classList[1]) : row.cells[column].matches(".y") ? order.indexOf("p") : order.length;
    };
    all("thead th", table).forEach((head, column) => {
      const label = head.querySelector("span") ?? head.firstChild;
      const button = make("button", { type: "button" }, label.textContent.trim());
      if (label.nodeType === Node.TEXT_NODE) label.replaceWith(button); else label.replaceChildren(button);
      button.addEventListener("click", () => {
        const sorted = head.getAttribute("aria-sort") === "ascending";
        for (const other of all("th[aria-sort]", table)) other.removeAttribute("aria-sort");
        const next = sorted ? plain : [...plain].sort((one, two) => column === 0
          ? one.cells[0].textContent.localeCompare(two.cells[0].textContent) : weight(one, column) - weight(two, column));
        if (!sorted) head.setAttribute("aria-sort", "ascending");
        table.tBodies[0].append(...next);
      });
    });
  }

  // Pointing at a square of a carpet names the host; pressing goes there.
  const IN_A_ROW = 50;
  for (const carpet of all(".carpet")) {
    const picture = carpet.querySelector("svg");
    const caption = carpet.querySelector("figcaption .soft");
    const text = caption.textContent;
    const under = (event) => {
      const box = picture.getBoundingClientRect();
      const side = box.width / IN_A_ROW;
      return planned[Math.floor((event.clientY - box.top) / side) * IN_A_ROW + Math.floor((event.clientX - box.left) / side)];
    };
    picture.addEventListener("pointermove", (event) => { caption.textContent = under(event)?.querySelector("h3").textContent ?? text; });
    picture.addEventListener("pointerleave", () => { caption.textContent = text; });
    picture.addEventListener("click", (event) => { const host = under(event); if (host) location.hash = host.id; });
  }

  // A deep link opens whatever is folded around its target, and shows all hosts again where its own is filtered out.
  const reveal = () => {
    const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (!target) return;
    if (target.closest("[hidden]")) showAll();
    for (let box = target.closest("details"); box; box = box.parentElement.closest("details")) box.open = true;
    target.scrollIntoView();
  };
  addEventListener("hashchange", reveal);
  if (location.hash) reveal();
})();
