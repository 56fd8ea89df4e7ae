/* The script of every page: units, filters, tables, figures, stories. No network, no library but the charts. */
"use strict";
(() => {
  const LBF_N = 4.4482216152605, KGF_N = 9.80665, KM_MI = 1.609344, MM_IN = 25.4, Z95 = 1.959963984540054;
  const FEW = 10, FIRST_ROWS = 25, FIRST_CARDS = 10, MORE_ROWS = 200, LABEL = 30, CELL = 300, CARDS = 6;
  const GROUPS = ["depot", "model", "duty"];
  const CARRIED = ["tension", "distance", "theme", ...GROUPS];
  const root = document.documentElement;
  const $ = (css, within = document) => within.querySelector(css);
  const $$ = (css, within = document) => [...within.querySelectorAll(css)];
  const make = (tag, attributes = {}, ...children) => {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) {
      if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
      else if (value !== null && value !== undefined) element.setAttribute(name, value);
    }
    element.append(...children.filter((child) => child !== null));
    return element;
  };

  /* ---- state: what the reader chose, in the fragment so that a view can be shared ---- */
  const state = {};
  const readFragment = () => {
    for (const name of Object.keys(state)) delete state[name];
    const text = location.hash.slice(1);
    if (text.includes("=")) for (const [name, value] of new URLSearchParams(text)) state[name] = value;
    else if (text) state.at = text;
  };
  const fragment = (names) => {
    const chosen = new URLSearchParams();
    for (const name of names) if (state[name]) chosen.set(name, state[name]);
    return chosen.toString();
  };
  const choose = (name, value) => {
    if (value) state[name] = value; else delete state[name];
    delete state.at;
    const text = fragment(Object.keys(state).sort());
    history.replaceState(null, "", text ? `#${text}` : location.pathname.split("/").pop() || "#");
  };
  const tensionUnit = () => (state.tension in { lbf: 1, kgf: 1 } ? state.tension : "N");
  const roadUnit = () => (state.distance === "km" ? "km" : "mi");

  /* ---- quantities ---- */
  const perTension = () => ({ N: 1, lbf: 1 / LBF_N, kgf: 1 / KGF_N })[tensionUnit()];
  const perMile = () => (roadUnit() === "km" ? KM_MI : 1);
  const finer = () => (tensionUnit() === "N" ? 0 : 1);
  const KINDS = {
    tension: { unit: tensionUnit, factor: perTension, finer },
    tension_rate: { unit: () => `${tensionUnit()} per 1,000 ${roadUnit()}`, factor: () => perTension() / perMile(), finer },
    distance: { unit: roadUnit, factor: perMile },
    span: { unit: () => (tensionUnit() === "lbf" ? "in" : "mm"), factor: () => (tensionUnit() === "lbf" ? 1 / MM_IN : 1), finer },
    share: { unit: () => "%", factor: () => 100 },
    chance: { unit: () => "%", factor: () => 100 },
    percent: { unit: () => "%" },
    percent_rate: { unit: () => `% per 1,000 ${roadUnit()}`, factor: () => 1 / perMile() },
    per_100k: { unit: () => `per 100,000 ${roadUnit()}`, factor: () => 1 / perMile() },
    money_rate: { factor: () => 1 / perMile() },
  };
  const isText = (kind) => kind === "text" || kind === "date" || kind === "words";
  const unitOf = (kind, unit) => (kind === "money_rate" ? `${unit} per 1,000 ${roadUnit()}` : unit || (KINDS[kind]?.unit?.() ?? ""));
  const converted = (value, kind) => value * (KINDS[kind]?.factor?.() ?? 1);
  const decimals = (kind, digits) => (digits ?? 0) + (KINDS[kind]?.finer?.() ?? 0);
  const formats = {};
  const number = (value, kind, digits) => {
    if (kind === "chance" && (value < 0.005 || value > 0.995)) return value < 0.5 ? "<\u00a01" : ">\u00a099";
    const wanted = decimals(kind, digits), places = Math.max(wanted, 0), step = 10 ** Math.max(-wanted, 0);
    formats[places] ??= new Intl.NumberFormat("en-US", { minimumFractionDigits: places, maximumFractionDigits: places });
    const shown = converted(value, kind);
    return formats[places].format((step > 1 ? Math.round(shown / step) * step : shown) + 0).replace("-", "\u2212");
  };
  const quantity = (value, kind, digits, unit) => [number(value, kind, digits), unitOf(kind, unit)].filter(Boolean).join("\u00a0");
  /* our own words, in miles as they are made: "38,800 mi", "0.64 EUR per 1,000 mi" */
  const DISTANCES = /(?:([\d,.]+)( \S+ per 1,000)|([\d,]+))([ \u00a0])mi\b/g;
  const inUnits = (text) => (roadUnit() === "mi" ? text : text.replace(DISTANCES, (whole, rate, per, far, space) => {
    const value = (far ?? rate).replace(/,/g, ""), noughts = Math.min(3, /0*$/.exec(value)[0].length);
    return `${far ? number(Number(value), "distance", -noughts) : number(Number(value), "money_rate", 2) + per}${space}${roadUnit()}`;
  }));
  const units = (text) => text.replace(/\{(\w+)\}/g, (whole, kind) => (KINDS[kind] ? unitOf(kind) : whole));
  const heading = ({ label: words, kind, unit }) => (unitOf(kind, unit) ? `${words} (${unitOf(kind, unit)})` : units(words));

  /* ---- text from files: never markup, direction marks made visible ---- */
  const MARKS = /[\u0000-\u0008\u000b-\u001f\u007f\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff]/g;
  const plain = (text) => {
    const shown = text.replace(MARKS, (mark) => `\u27e8U+${mark.charCodeAt(0).toString(16).toUpperCase().padStart(4, "0")}\u27e9`);
    return shown.length > CELL ? `${shown.slice(0, CELL)}\u2026 (${text.length} characters; all in the CSV)` : shown;
  };
  const label = (text) => {
    const words = String(text ?? "not given").replace(MARKS, "");
    const short = words.length <= LABEL ? words : `${words.slice(0, LABEL - 1)}\u2026`;
    return short.replace(/&/g, "&amp;").replace(/</g, "&lt;").replace(/>/g, "&gt;");
  };

  /* ---- data ---- */
  const unpackColumns = ({ columns = [], height = 0 }) => Object.fromEntries(columns.map((column) => {
    const values = column.kinds ? column.values.map((place) => column.kinds[place]) : column.values;
    return [column.name, { ...column, values: [...values, ...Array(height - values.length).fill(null)] }];
  }));
  const loadTable = (raw) => {
    const columns = unpackColumns(raw), height = raw.height ?? 0;
    const recount = raw.recount && { ...raw.recount, columns: unpackColumns(raw.recount) };
    return { columns, height, recount, figure: raw.figure, unlisted: new Set(raw.unlisted), rows: [...Array(height).keys()], recounted: {} };
  };
  const worded = (column, row) => {
    const value = column.values[row] ?? "";
    return column.kind === "words" ? inUnits(value) : column.words?.[value] ?? value;
  };
  const valuesOf = (table, name) => table.recounted[name] ?? table.columns[name].values;

  /* ---- filters: counts are added up and Wilson's formula applied; nothing else is computed here ---- */
  const chosenGroups = () => GROUPS.filter((name) => state[name]);
  const wilson = (k, n) => {
    const z2 = Z95 * Z95, half = Math.sqrt(z2 * (k * (n - k) / n + z2 / 4));
    return [k === 0 ? 0 : (k + z2 / 2 - half) / (n + z2), k === n ? 1 : (k + z2 / 2 + half) / (n + z2)];
  };
  const recount = (table) => {
    const { columns, by, within, sum } = table.recount;
    const key = (of, row) => JSON.stringify(by.map((name) => String(of[name].values[row])));
    const kept = [...columns.n.values.keys()].filter((row) => chosenGroups().every((name) => columns[name].values[row] === state[name]));
    const sums = new Map();
    const total = [0, 0];
    for (const row of kept) {
      const pair = sums.get(key(columns, row)) ?? [0, 0];
      [columns.n, columns.k].forEach((column, place) => { pair[place] += column.values[row]; total[place] += column.values[row]; });
      sums.set(key(columns, row), pair);
    }
    const counts = [...Array(table.height).keys()].map((row) => sums.get(key(table.columns, row)) ?? [0, 0]);
    const found = { n: counts.map(([n]) => n) };
    if (sum) found.k = counts.map(([, k]) => k);
    else if (within) {
      const totals = {};
      counts.forEach(([n], row) => { const name = table.columns[within].values[row]; totals[name] = (totals[name] ?? 0) + n; });
      found.share = counts.map(([n], row) => n / totals[table.columns[within].values[row]] || 0);
    } else {
      const limits = counts.map(([n, k]) => (n >= FEW ? wilson(k, n) : [null, null]));
      found.k = counts.map(([, k]) => k);
      found.share = counts.map(([n, k]) => (n >= FEW ? k / n : null));
      [found.lo, found.hi] = [0, 1].map((side) => limits.map((pair) => pair[side]));
    }
    return { found, total };
  };
  const filterTable = (key, table) => {
    const groups = chosenGroups(), live = $(`[data-live="${key}"]`);
    let words = "";
    table.recounted = {};
    table.rows = [...Array(table.height).keys()];
    if (groups.length && table.recount) {
      const { found, total: [n, k] } = recount(table);
      table.recounted = found;
      table.rows = table.rows.filter((row) => found.n[row] > 0);
      const [lo, hi] = n ? wilson(k, n) : [0, 1];
      words = table.recount.sum ? "" : n < FEW ? `With this filter: ${n} installs, too few for a share.`
        : `With this filter: ${number(k, "count")} of ${number(n, "count")} installs left under (${quantity(k / n, "share")}; 95 % interval ${number(lo, "share")} to ${quantity(hi, "share")}).`;
    } else if (groups.length && groups.every((name) => table.columns[name])) {
      table.rows = table.rows.filter((row) => groups.every((name) => table.columns[name].values[row] === state[name]));
    } else if (groups.length && table.height) words = "This is the whole fleet; the filter does not change it.";
    if (live) live.textContent = words;
  };

  /* ---- tables ---- */
  const collator = new Intl.Collator("en", { numeric: true });
  const savedColumns = (table) => Object.values(table.columns).filter((column) => !column.hidden);
  const shownColumns = (table) => {
    const beside = new Set(savedColumns(table).flatMap((column) => (column.beside?.match(/\w+(?=\})/g) ?? [])));
    return savedColumns(table).filter((column) => !beside.has(column.name));
  };
  const isAbsent = (table, name, row) => (valuesOf(table, name)[row] ?? null) === null;
  const ownText = (table, column, row) => {
    if (isAbsent(table, column.name, row)) return "\u2013";
    return isText(column.kind) ? plain(String(worded(column, row))) : number(valuesOf(table, column.name)[row], column.kind, column.digits);
  };
  const cellText = (table, column, row) => {
    const own = ownText(table, column, row), names = column.beside?.match(/\w+(?=\})/g) ?? [];
    if (!names.length || names.some((name) => isAbsent(table, name, row))) return own;
    const beside = column.beside.replace(/\{(\w+)\}/g, (whole, name) => ownText(table, table.columns[name], row));
    return `${own}${beside.startsWith(",") ? "" : "\u00a0"}${beside}`;
  };
  const visibleRows = (view) => {
    const { key, table } = view;
    const query = (state[`${key}.find`] ?? "").toLocaleLowerCase("en").trim();
    let rows = table.rows.filter((row) => !table.unlisted.has(row));
    for (const name of view.selects) if (state[`${key}.${name}`]) rows = rows.filter((row) => table.columns[name].values[row] === state[`${key}.${name}`]);
    if (query) rows = rows.filter((row) => Object.values(table.columns).some((column) => isText(column.kind) && String(worded(column, row)).toLocaleLowerCase("en").includes(query)));
    const [name, way] = (state[`${key}.sort`] ?? "").split(" ");
    return table.columns[name] ? sorted(table, rows, table.columns[name], way === "down" ? -1 : 1) : rows;
  };
  const sorted = (table, rows, column, sign) => {
    const values = valuesOf(table, column.name);
    const absent = (row) => isAbsent(table, column.name, row);
    const compare = isText(column.kind) ? (a, b) => collator.compare(worded(column, a), worded(column, b)) : (a, b) => values[a] - values[b];
    return [...rows].sort((a, b) => absent(a) - absent(b) || (absent(a) ? 0 : sign * compare(a, b)));
  };
  const FORMULA = /^[\s\u00a0\u200b-\u200f\u2060\ufeff]*[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]/;
  const csvCell = (table, column, row) => {
    if (isAbsent(table, column.name, row)) return "";
    if (!isText(column.kind)) return String(Number(converted(valuesOf(table, column.name)[row], column.kind).toPrecision(12)));
    const text = String(worded(column, row));
    const safe = FORMULA.test(text) || /^[\t\r\n]/.test(text) ? `'${text}` : text;
    return `"${safe.replace(/"/g, '""')}"`;
  };
  const csvText = (table, rows) => {
    const columns = savedColumns(table);
    const lines = [columns.map((column) => `"${heading(column).replace(/"/g, '""')}"`), ...rows.map((row) => columns.map((column) => csvCell(table, column, row)))];
    return `\ufeff${lines.map((line) => line.join(",")).join("\r\n")}\r\n`;
  };
  const saveCsv = (name, table, rows) => {
    const address = URL.createObjectURL(new Blob([csvText(table, rows)], { type: "text/csv" }));
    make("a", { href: address, download: `${name}.csv` }).click();
    setTimeout(() => URL.revokeObjectURL(address), 1000);
  };
  const headerCell = (view, column) => {
    const [name, way] = (state[`${view.key}.sort`] ?? "").split(" ");
    const sort = name !== column.name ? null : way === "down" ? "descending" : "ascending";
    const press = () => {
      const next = sort === "ascending" ? "down" : "up";
      choose(`${view.key}.sort`, `${column.name} ${next}`);
      renderTable(view);
      $(`th[data-column="${column.name}"] button`, view.place)?.focus();
    };
    return make("th", { scope: "col", role: "columnheader", "aria-sort": sort, "data-column": column.name, class: isText(column.kind) ? "text" : "figure-cell" },
      make("button", { type: "button", onclick: press }, heading(column)));
  };
  const bodyCell = (view, column, row, opener) => {
    const text = cellText(view.table, column, row);
    const width = `${text === "\u2013" ? " blank" : ""}${text.length > 40 ? " long" : ""}${/\S{21}/.test(text) ? " unbroken" : /^\S{1,20}$/.test(text) ? " code" : ""}`;
    const kind = column.kind === "date" ? "date" : isText(column.kind) ? `text${width}` : text.length > 30 ? "figure-cell broken" : "figure-cell";
    return make("td", { role: "cell", class: kind, "data-label": heading(column) }, opener ?? text);
  };
  const bodyRow = (view, row) => {
    const columns = shownColumns(view.table);
    const { chosen, opened } = OPENED[view.opens] ?? {};
    const id = chosen && view.table.columns[view.opens].values[row];
    if (!id) return [make("tr", { role: "row" }, ...columns.map((column) => bodyCell(view, column, row)))];
    const isOpen = state[chosen] === id;
    const toggle = (event) => {
      event.stopPropagation();
      choose(chosen, isOpen ? "" : id);
      renderTable(view);
      $$(".open", view.place).find((button) => button.dataset.opens === id)?.focus();
    };
    const place = columns.findIndex((column) => isText(column.kind));
    const cells = columns.map((column, index) => bodyCell(view, column, row, index !== place ? undefined
      : make("button", { type: "button", class: "open", "aria-expanded": String(isOpen), "data-opens": id, onclick: toggle }, cellText(view.table, column, row))));
    const line = make("tr", { role: "row", class: "opens", onclick: (event) => { if (!String(getSelection())) toggle(event); } }, ...cells);
    return isOpen ? [line, opened(view, row, id, columns.length)] : [line];
  };
  const renderTable = (view) => {
    const rows = visibleRows(view), shown = rows.slice(0, view.limit), listed = view.table.height - view.table.unlisted.size;
    const isOpen = state[OPENED[view.opens]?.chosen];
    if (isOpen) {
      const place = rows.findIndex((row) => view.table.columns[view.opens].values[row] === isOpen);
      if (place >= view.limit) shown.push(rows[place]);
    }
    view.count.textContent = `${number(shown.length, "count")} of ${number(rows.length, "count")} rows shown` + (rows.length < listed ? `, ${number(listed, "count")} in all` : "");
    view.more.hidden = shown.length >= rows.length;
    view.more.textContent = `Show ${number(Math.min(MORE_ROWS, rows.length - shown.length), "count")} more`;
    view.place.replaceChildren(make("table", { role: "table", class: view.isCards ? "cards" : null, "aria-label": view.name },
      make("thead", { role: "rowgroup" }, make("tr", { role: "row" }, ...shownColumns(view.table).map((column) => headerCell(view, column)))),
      make("tbody", { role: "rowgroup" }, ...shown.flatMap((row) => bodyRow(view, row)))));
    if (view.pending) { const draw = view.pending; view.pending = null; draw(); }
  };
  const select = (view, name) => {
    const column = view.table.columns[name];
    const values = [...new Set(column.values)].filter((value) => value !== null).sort(collator.compare);
    const change = (event) => { choose(`${view.key}.${name}`, event.target.value); renderTable(view); };
    const list = make("select", { onchange: change }, make("option", { value: "" }, "all"),
      ...values.map((value) => make("option", { value }, plain(column.words?.[value] ?? value))));
    list.value = state[`${view.key}.${name}`] ?? "";
    return make("label", {}, `${column.label || name} `, list);
  };
  const startTable = (host) => {
    const key = host.dataset.table, table = tables[key];
    const words = (text) => text.split(" ").filter(Boolean);
    const view = { key, table, name: host.dataset.name, selects: words(host.dataset.selects), opens: host.dataset.opens, limit: FIRST_ROWS };
    view.isCards = Boolean(view.opens) || "cards" in host.dataset || (!host.closest("details") && shownColumns(table).length > CARDS);
    if (view.isCards && root.clientWidth < 700) view.limit = FIRST_CARDS;
    view.count = make("span", { role: "status" });
    view.more = make("button", { type: "button", class: "more", onclick: () => { view.limit += MORE_ROWS; renderTable(view); } });
    view.place = make("div", view.opens ? { class: "scroll" } : { class: "scroll", tabindex: "0", role: "group", "aria-label": `Numbers: ${view.name}` });
    const find = make("input", { type: "search", oninput: (event) => { choose(`${key}.find`, event.target.value); renderTable(view); } });
    find.value = state[`${key}.find`] ?? "";
    host.replaceChildren(make("div", { class: "bar" },
      table.height > 8 ? make("label", {}, "Find ", find) : null, ...view.selects.map((name) => select(view, name)),
      make("button", { type: "button", class: "save", onclick: () => saveCsv(key, table, visibleRows(view)) }, "Save as CSV"), view.count), view.place, view.more);
    if (Object.keys(state).some((name) => name.startsWith(`${key}.`))) host.closest("details")?.setAttribute("open", "");
    renderTable(view);
    return view;
  };

  /* ---- a belt's story ---- */
  const evidence = (view, row, belt, width) => {
    const { columns } = view.table, stories = tables.stories;
    const said = (name) => (columns[name] ? cellText(view.table, columns[name], row) : "\u2013");
    const cell = make("div", { class: "story" });
    cell.append(make("h3", {}, `Belt ${plain(belt)} on vehicle ${said("vehicle_id")}`),
      make("p", {}, make("strong", {}, "Why: "), said("detail")),
      make("p", {}, make("strong", {}, "How sure: "), `${said("p_under_now")} % chance that it is under its range now.`),
      make("p", {}, make("strong", {}, "What to do: "), said("do")));
    if (said("doubts") !== "\u2013") cell.append(make("p", {}, make("strong", {}, "But: "), `its last record is doubted (${said("doubts")}); mend the record first if it is wrong.`));
    if (columns.due_mi && columns.due_mi.values[row] !== null) cell.append(make("p", {}, make("strong", {}, "Due: "), `at ${said("due_mi")} ${unitOf("distance")} on the odometer, about ${said("due_date")}.`));
    cell.append(make("p", { class: "caveat" }, "An estimate from records: read the belt first, and follow the vehicle maker's manual, local codes and licensed practice."));
    const own = stories && stories.rows.filter((index) => stories.columns.belt_id.values[index] === belt);
    if (!own?.length) cell.append(make("p", { class: "missing" }, "The readings of this belt are not in this page; tables/tension_readings.csv has them."));
    else {
      const story = { ...stories, rows: own };
      const plot = make("div", { class: "plot", role: "img", "aria-label": `Tension of belt ${plain(belt)} against distance, with its range; the table below has the numbers` });
      const visits = { ...story, rows: own.filter((index) => !stories.unlisted.has(index)) };
      const inner = { key: "story", table: visits, name: `Records of belt ${plain(belt)}`, selects: [], opens: "", limit: Infinity, count: make("span", { role: "status" }), more: make("span") };
      inner.place = make("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": inner.name });
      renderTable(inner);
      inner.count.textContent = `${number(visits.rows.length, "count")} records`;
      cell.append(make("figure", { class: "figure" }, plot), make("div", { class: "bar" },
        make("button", { type: "button", class: "save", onclick: () => saveCsv("story", visits, visits.rows) }, "Save these records as CSV"), inner.count), inner.place);
      view.pending = () => draw(plot, story);
    }
    return make("tr", { role: "row", class: "evidence" }, make("td", { role: "cell", colspan: width }, cell));
  };

  /* ---- a vehicle's record: what was heard of it, what its belts lose, and each belt ---- */
  const vehicleRecord = (view, row, vehicle, width) => {
    const { columns } = view.table, belts = tables.vehicleBelts;
    const said = (name) => (columns[name] && !isAbsent(view.table, name, row) ? cellText(view.table, columns[name], row) : "");
    const cell = make("div", { class: "story" });
    const say = (head, ...words) => cell.append(make("p", {}, make("strong", {}, `${head}: `), words.join("")));
    cell.append(make("h3", {}, `Vehicle ${plain(vehicle)}`));
    say("Heard", `${said("complaints")} complaint${said("complaints") === "1" ? "" : "s"} in ${said("miles")} ${unitOf("distance")}`,
      said("complaints_expected") ? `, where its miles, model and bands let expect ${said("complaints_expected")}` : "",
      said("noise_ratio") ? `: ${said("noise_ratio")} times, chance allowed for.` : ".");
    say("Belts", `${said("failures")} of ${said("belts")} failed`, said("last_install_band") ? `; the last was left ${said("last_install_band")}.` : ".");
    say("Loses tension", said("drift_pct_per_1000mi") ? `${said("drift_pct_per_1000mi")} ${unitOf("percent_rate")}, mean of its running belts.` : "not known of its running belts.");
    const own = belts?.rows.filter((index) => belts.columns.vehicle_id.values[index] === vehicle);
    if (!own?.length) cell.append(make("p", { class: "missing" }, "Its belts are not in this page; the table belts.csv has them."));
    else {
      const record = { ...belts, rows: own };
      const inner = { key: "vehicle", table: record, name: `Belts of vehicle ${plain(vehicle)}`, selects: [], opens: "", limit: Infinity, count: make("span", { role: "status" }), more: make("span") };
      inner.place = make("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": inner.name });
      renderTable(inner);
      inner.count.textContent = `${number(own.length, "count")} belts, the newest first`;
      cell.append(make("div", { class: "bar" },
        make("button", { type: "button", class: "save", onclick: () => saveCsv("vehicle", record, own) }, "Save these belts as CSV"), inner.count), inner.place);
    }
    cell.append(make("p", { class: "caveat" }, "An estimate from records: look at the vehicle first, and follow its maker's manual, local codes and licensed practice."));
    return make("tr", { role: "row", class: "evidence" }, make("td", { role: "cell", colspan: width }, cell));
  };
  const OPENED = { belt_id: { chosen: "belt", opened: evidence }, vehicle_id: { chosen: "vehicle", opened: vehicleRecord } };

  /* ---- figures: arrays by column name, colours by token, units in titles ---- */
  const drawn = new Map();
  const columnValues = (table, rows, name) => {
    const column = table.columns[name], values = valuesOf(table, name);
    if (isText(column.kind)) return rows.map((row) => (column.kind === "date" ? values[row] : label(worded(column, row))));
    return rows.map((row) => (values[row] === null || values[row] === undefined ? null : column.kind === "share" || column.kind === "chance" ? values[row] : converted(values[row], column.kind)));
  };
  const named = (table, rows, reference) => {
    if (reference === "$#") return rows;
    const [first, second] = reference.slice(1).split("-").map((name) => columnValues(table, rows, name));
    return second ? first.map((value, place) => (value === null || second[place] === null ? null : value - second[place])) : first;
  };
  const colour = (token) => getComputedStyle(root).getPropertyValue(`--${token.slice(1)}`).trim();
  const filled = (value, table, rows, key = "", isTrace = false) => {
    if (key === "meta") return value;
    if (Array.isArray(value)) return value.map((item) => filled(item, table, rows, key, isTrace));
    if (value && typeof value === "object") return Object.fromEntries(Object.entries(value).map(([name, item]) => [name, filled(item, table, rows, name, isTrace)]));
    if (typeof value !== "string") return value;
    if (/color$/.test(key) && value.startsWith("@")) return colour(value);
    if (key === "name") return value;
    if ((isTrace || key !== "text") && value.startsWith("$")) return named(table, rows, value);
    return key === "text" || key === "hovertemplate" ? units(value) : value;
  };
  const rowsOf = (table, where) => table.rows.filter((row) => Object.entries(where ?? {}).every(([name, wanted]) => table.columns[name].values[row] === wanted));
  const axisLook = () => ({ gridcolor: colour("@line"), linecolor: colour("@field"), zerolinecolor: colour("@field"), automargin: true, fixedrange: true });
  const look = (layout) => {
    const narrow = !printing && root.clientWidth < 600, plain = { ...layout };
    for (const name of Object.keys(layout)) if (/^[xy]axis/.test(name)) plain[name] = { ...axisLook(), ...layout[name] };
    const title = plain.xaxis?.title?.text;
    if (narrow && title) {
      plain.xaxis.title = undefined;
      plain.title = { text: title, font: { size: 12 }, xref: "container", x: 1, xanchor: "right", yref: "container", y: 0, yanchor: "bottom", pad: { r: 10, b: 8 } };
    }
    return {
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", dragmode: false, hovermode: "closest",
      font: { family: "system-ui, sans-serif", size: narrow ? 12 : 13, color: colour("@ink") },
      margin: { l: narrow ? 44 : 60, r: 14, t: 40, b: narrow ? 56 : 48 }, legend: { orientation: "h", x: 0, y: 1, yanchor: "bottom", traceorder: "normal", maxheight: 1 },
      hoverlabel: { bgcolor: colour("@card"), bordercolor: colour("@field"), font: { color: colour("@ink") } }, ...plain,
    };
  };
  const draw = (host, table) => {
    if (!window.Plotly || !table.figure) return;
    const data = table.figure.data.map((trace) => filled(trace, table, rowsOf(table, trace.meta?.where), "", true));
    const listed = data.filter((trace) => trace.name && trace.showlegend !== false).length, spare = printing || root.clientWidth >= 600 ? 0 : 20 * Math.max(0, listed - 3);
    const width = printing ? { width: host.closest(".story") ? 640 : 680 } : {};
    const layout = look(filled(table.figure.layout, table, table.rows));
    delete host.dataset.named;
    window.Plotly.react(host, data, { ...layout, height: layout.height + spare, ...width }, { displayModeBar: false, responsive: !printing });
    if (!drawn.has(host)) host.on("plotly_afterplot", () => { nameDots(host); scalable(host); });
    drawn.set(host, table);
    nameDots(host);
    scalable(host);
  };
  /* A name stands beside its dot where it covers nothing. The first traces choose first; who finds no place is left to hover and table. */
  const BESIDE = [["top center", 0, -13], ["bottom center", 0, 13], ["middle right", 1, 0], ["middle left", -1, 0], ["top right", 1, -9], ["top left", -1, -9], ["bottom right", 1, 9], ["bottom left", -1, 9]];
  const nameDots = (host) => {
    const named = host.data.flatMap(({ meta }, index) => (meta?.names ? [index] : []));
    const { xaxis: { _length: width, d2p: across }, yaxis: { _length: height, d2p: down } } = host._fullLayout;
    if (!named.length || host.dataset.named === `${width} ${height}`) return;
    host.dataset.named = `${width} ${height}`;
    const box = (x, y, wide, high) => ({ left: x - wide / 2, right: x + wide / 2, top: y - high / 2, bottom: y + high / 2 });
    const dots = named.map((index) => host.data[index].x.map((x, place) => [across(x), down(host.data[index].y[place])]));
    const taken = dots.flat().map(([x, y]) => box(x, y, 11, 11));
    const isFree = (one) => one.left >= 0 && one.right <= width && one.top >= -20 && one.bottom <= height
      && taken.every((other) => one.right <= other.left || one.left >= other.right || one.bottom <= other.top || one.top >= other.bottom);
    const beside = (name, [x, y]) => {
      const wide = 7 * name.length, boxes = BESIDE.map(([, side, below]) => box(x + side * (wide / 2 + 7), y + below, wide, 13));
      const place = boxes.findIndex(isFree); taken.push(...boxes.slice(place, place + 1));
      return place < 0 ? ["", BESIDE[0][0]] : [name, BESIDE[place][0]];
    };
    const found = named.map((index, order) => host.data[index].customdata.map((name, place) => beside(name, dots[order][place])));
    const [text, textposition] = [0, 1].map((part) => found.map((names) => names.map((one) => one[part])));
    window.Plotly.restyle(host, { text, textposition }, named);
  };
  const scalable = (host) => $$(".main-svg", host).forEach((svg) => svg.setAttribute("viewBox", `0 0 ${svg.getAttribute("width")} ${svg.getAttribute("height")}`));
  const redraw = () => { for (const [host, table] of drawn) if (host.isConnected) draw(host, table); else drawn.delete(host); };

  /* ---- the page ---- */
  let tables = {}, views = [], printing = false;
  const showQuantities = () => $$("[data-kind]").forEach((item) => {
    const { kind, digits, unit, bare } = item.dataset, shown = [Number(item.getAttribute("value")), kind, Number(digits)];
    item.textContent = bare === undefined ? quantity(...shown, unit) : number(...shown);
  });
  const refresh = () => {
    for (const [key, table] of Object.entries(tables)) if (key !== "stories" && key !== "vehicleBelts") filterTable(key, table);
    showQuantities();
    views.forEach(renderTable);
    const words = $("[data-filter-words]"), groups = chosenGroups();
    if (words) words.textContent = groups.length ? `Only ${groups.map((name) => `${name} ${plain(state[name])}`).join(", ")}` : "";
    redraw();
  };
  const showChoices = () => {
    if (state.theme === "dark" || state.theme === "light") root.dataset.theme = state.theme; else delete root.dataset.theme;
    for (const list of $$("[data-tools] select, [data-filters] select")) list.value = state[list.name] ?? list.options[0].value;
  };
  const listen = () => {
    for (const form of $$("[data-tools], [data-filters]")) {
      form.addEventListener("submit", (event) => event.preventDefault());
      form.addEventListener("change", (event) => {
        const { name, value, options } = event.target;
        choose(name, value === options[0].value ? "" : value);
        showChoices();
        refresh();
      });
      form.addEventListener("reset", (event) => { event.preventDefault(); GROUPS.forEach((name) => choose(name, "")); showChoices(); refresh(); });
    }
    document.addEventListener("click", (event) => {
      const link = event.target.closest?.("a[href*='.html']");
      if (!link) return;
      const [page, at] = link.getAttribute("href").split("#");
      const carried = fragment(CARRIED);
      if (carried) link.setAttribute("href", `${page}#${at ? `at=${at.replace(/^.*\bat=([^&]*).*$/, "$1")}&` : ""}${carried}`);
    });
    addEventListener("hashchange", () => { if (location.hash.includes("=")) { readFragment(); showChoices(); refresh(); goTo(); } });
    document.addEventListener("toggle", (event) => { for (const host of $$("[data-figure]", event.target)) if (drawn.has(host)) draw(host, drawn.get(host)); }, true);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
    addEventListener("beforeprint", () => { printing = true; root.dataset.theme = "light"; redraw(); });
    addEventListener("afterprint", () => { printing = false; showChoices(); redraw(); });
  };
  const goTo = () => { if (state.at) document.getElementById(state.at)?.scrollIntoView(); };
  const unpacked = async (text) => {
    const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
    return new Response(new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"))).text();
  };
  const start = (data) => {
    readFragment();
    tables = Object.fromEntries(Object.entries(data.sections).map(([key, raw]) => [key, loadTable(raw)]));
    if (data.stories) tables.stories = loadTable(data.stories);
    if (data.vehicleBelts) tables.vehicleBelts = loadTable(data.vehicleBelts);
    showChoices();
    views = $$("[data-table]").filter((host) => tables[host.dataset.table]).map(startTable);
    for (const host of $$("[data-figure]")) host.style.minHeight = `${tables[host.dataset.figure].figure.layout.height}px`;
    refresh();
    listen();
    goTo();
  };
  const drawAll = async () => {
    for (const host of $$("[data-figure]")) { draw(host, tables[host.dataset.figure]); await new Promise((next) => setTimeout(next)); }
    views.forEach((view) => { if (view.opens && state.belt) renderTable(view); });
    root.dataset.ready = "1";
  };
  const island = $("#data"), packed = $("#packed");
  if (island.type === "application/json") {
    start(JSON.parse(island.textContent));
    addEventListener("DOMContentLoaded", drawAll);
  } else if (!window.DecompressionStream) {
    $("#main").prepend(make("p", { class: "missing" }, "This page is packed, and this browser cannot unpack it: open it in a newer one, or ask for the page made without --pack."));
  } else {
    unpacked(island.textContent).then(async (text) => {
      start(JSON.parse(text));
      if (packed) document.head.append(Object.assign(document.createElement("script"), { textContent: await unpacked(packed.textContent) }));
      drawAll();
    });
  }
})();
