// What a set of boards has in common, and which boards do not.
//
// A board is an outlier when its modified z-score is beyond 3.5: 0.6745 (x - median) / MAD (B. Iglewicz,
// D. Hoaglin, How to Detect and Handle Outliers, ASQC 1993). Among fewer than five boards none is one.

const BEYOND = 3.5;
const FEWEST = 5;

export function median(values) {
  if (values.length === 0) return NaN;
  const sorted = [...values].sort((a, b) => a - b);
  const half = sorted.length >> 1;
  return sorted.length % 2 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
}

// {median, mad, outliers: indices}
export function spread(values) {
  const m = median(values);
  const mad = median(values.map((v) => Math.abs(v - m)));
  const outliers = [];
  if (values.length >= FEWEST && mad > 0) {
    values.forEach((v, n) => {
      if ((0.6745 * Math.abs(v - m)) / mad > BEYOND) outliers.push(n);
    });
  }
  return { median: m, mad, outliers };
}

// H30-9 before H30-10.
export function bySerial(a, b) {
  return a.localeCompare(b, "en", { numeric: true });
}

// The figures of a batch by quantity: [{label, quantity, title, unit, rows: [{board, run, value, u, lower, upper,
// decision}]}], `limited` and boards by serial number, quantities in the order of first appearance, those with limits first.
export function byQuantity(boards) {
  const groups = new Map();
  for (const each of [...boards].sort((a, b) => bySerial(a.board, b.board))) {
    for (const f of each.figures) {
      const key = `${f.label}/${f.quantity}`;
      if (!groups.has(key)) groups.set(key, { key, label: f.label, quantity: f.quantity, title: f.title, unit: f.unit, rows: [] });
      groups.get(key).rows.push({ board: each.board, run: each.run, value: f.value ?? null, u: f.expanded_u ?? 0, lower: f.lower ?? null, upper: f.upper ?? null, decision: f.decision });
    }
  }
  const all = [...groups.values()].filter((g) => g.unit !== "yes/no");
  for (const g of all) g.limited = g.rows.some((r) => r.lower !== null || r.upper !== null);
  return [...all.filter((g) => g.limited), ...all.filter((g) => !g.limited)];
}
