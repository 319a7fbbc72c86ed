"use strict";
// The rules of the window, repeated for a page that stands alone: the largest certified set on a stored curve,
// membership, and the three kinds of cell. Between stored reliabilities everything is interpolated linearly.
const page = JSON.parse(document.getElementById("page-data").textContent);
const Z95 = 1.6448536269514722;
const level = (C, ess) => C + Z95 * Math.sqrt(C * (1 - C) / ess);
const leastEss = (C) => Math.max(1000, Z95 * Z95 * C / (1 - C));

function certified(curve, C) {
  let best = null;
  for (let i = 0; i < curve.rho.length; i++)
    if (curve.rho[i] >= C && curve.ess[i] >= leastEss(C) && curve.probability[i] >= Math.min(1, level(C, curve.ess[i])))
      best = { rho: curve.rho[i], probability: curve.probability[i] };
  return best;
}

function between(R) {
  const grid = page.reliabilities;
  let i = 0;
  while (i < grid.length - 2 && R > grid[i + 1]) i++;
  const t = Math.min(1, Math.max(0, (R - grid[i]) / (grid[i + 1] - grid[i])));
  if (t < 1e-9) return [i, i, 0];
  return t > 1 - 1e-9 ? [i + 1, i + 1, 0] : [i, i + 1, t];
}

function look(R, C) {
  const [a, b, t] = between(R);
  const low = certified(page.curves[a], C), high = certified(page.curves[b], C);
  const mix = (x, y) => (1 - t) * x + t * y;
  const claim = low && high ? { rho: mix(low.rho, high.rho), probability: mix(low.probability, high.probability) } : null;
  const cells = page.maps.map((m) => m.c[a].map((_, j) => {
    const c = mix(m.c[a][j], m.c[b][j]), first = mix(m.c_order[a][j], m.c_order[b][j]), least = mix(m.c_least[a][j], m.c_least[b][j]);
    const claimed = page.may_claim && claim !== null && first >= claim.rho && least >= C;
    return { c: c, kind: claimed ? "claimed" : (c <= 1 - C ? "excluded" : "undecided") };
  }));
  return { claim: page.may_claim ? claim : null, cells: cells, interpolated: a !== b };
}

const HATCH = { claimed: " ", leaning: "|", undecided: "/", excluded: ".", unreachable: "x" };
const FILL = { claimed: "#24557a", leaning: "#24557a", undecided: "#c3d5e3", excluded: "#ffffff", unreachable: "#ffffff" };
const INK = { claimed: "#24557a", leaning: "#ffffff", undecided: "#24557a", excluded: "#7d97ab", unreachable: "#7d97ab" };
const WORDS = { claimed: "claimed", leaning: "claimed, extrapolated", undecided: "undecided", excluded: "excluded", unreachable: "out of reach" };
const plain = (x) => x.toFixed(3).replace(/0$/, "");
let shown = null;

const model = (name) => Bokeh.documents.map((d) => d.get_model_by_name(name)).find((x) => x);
const source = (i) => model("cells-" + i);

function draw() {
  const R = Number(document.getElementById("R").value), C = Number(document.getElementById("C").value);
  const says = document.getElementById("says");
  const [lowest, highest] = [page.reliabilities[0], page.reliabilities[page.reliabilities.length - 1]];
  if (!(R >= lowest && R <= highest && C >= 0.5 && C < 1)) {
    says.textContent = `Reliability from ${plain(lowest)} to ${plain(highest)}, confidence from 0.50 to below 1.`;
    return;
  }
  shown = look(R, C);
  page.maps.forEach((m, i) => {
    const cells = source(i), kind = shown.cells[i].map((x, j) => !m.reach[j] ? "unreachable" : (x.kind === "claimed" && m.far[j] ? "leaning" : x.kind));
    cells.data = Object.assign({}, cells.data, { c: shown.cells[i].map((x) => x.c), words: kind.map((k) => WORDS[k]),
      fill: kind.map((k) => FILL[k]), ink: kind.map((k) => INK[k]), hatch: kind.map((k) => HATCH[k]) });
    model("ranges-" + i).visible = R === page.own.R && C === page.own.C;
  });
  const how = shown.interpolated ? " (interpolated between stored reliabilities)" : "";
  says.textContent = shown.claim ? `At R = ${R}, C = ${C}: the set with c at least ${shown.claim.rho.toFixed(4)} is claimed as a whole, joint probability ${shown.claim.probability.toFixed(3)}${how}.`
    : `At R = ${R}, C = ${C}: nothing is claimed${how}.`;
  page.maps.forEach((_, i) => read(i));
  document.documentElement.dataset.drawn = `${R} ${C}`;
}

function step(id, by) {
  const field = document.getElementById(id);
  field.value = plain(Math.min(Number(field.max), Math.max(Number(field.min), Number(field.value) + by)));
  draw();
}

function read(i) {
  const m = page.maps[i], T = Number(document.getElementById("T" + i).value), e = Number(document.getElementById("e" + i).value);
  const near = (list, v) => list.reduce((best, x, j) => Math.abs(x - v) < Math.abs(list[best] - v) ? j : best, 0);
  const a = near(m.warm, T), b = near(m.strain, e), j = a * m.strain.length + b;
  const data = source(i).data;
  document.getElementById("value" + i).textContent = `cell at ${m.warm[a].toFixed(0)} degC, strain ${m.strain[b].toFixed(3)}: c = ${data.c[j].toFixed(3)}, ` +
    `expected share conforming ${m.mean[j].toFixed(3)}, ${data.words[j]}${m.far[j] ? "; extrapolated" : ""}`;
}

async function begin() {
  for (const [i, item] of JSON.parse(document.getElementById("figures").textContent).entries()) await Bokeh.embed.embed_item(item, "map-" + i);
  for (const id of ["R", "C"]) document.getElementById(id).addEventListener("input", draw);
  for (const b of document.querySelectorAll("button[data-step]")) b.addEventListener("click", () => step(b.dataset.field, Number(b.dataset.step)));
  page.maps.forEach((_, i) => { for (const id of ["T" + i, "e" + i]) document.getElementById(id).addEventListener("input", () => read(i)); });
  draw();
}
if (page.maps.length) begin();
