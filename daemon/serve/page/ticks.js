// SPDX-License-Identifier: Apache-2.0
// Where an axis has its few numbers: round ones, by 1, 2 or 5.
export function ticks(low, high, most) {
  const rough = (high - low) / most;
  if (!(rough > 0)) return [low];
  const ten = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((one) => one * ten).find((one) => one >= rough * 0.999);
  const result = [];
  for (let at = Math.ceil(low / step - 1e-9); at * step <= high + step * 1e-9; at += 1) result.push(at * step + 0);
  return result;
}

/* As many decimals as tell neighbours apart. */
export function tickText(values) {
  const step = values.length > 1 ? Math.abs(values[1] - values[0]) : Math.abs(values[0] ?? 1);
  const decimals = Math.max(0, Math.min(9, -Math.floor(Math.log10(step || 1) + 1e-9)));
  return values.map((one) => one.toFixed(decimals).replace(/^-(0(?:\.0*)?)$/, "$1").replace("-", "\u2212"));
}

/* Round steps of clock time: seconds up to hours. */
export function clockTicks(low, high, most) {
  const steps = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400];
  const step = steps.find((one) => one >= (high - low) / most);
  if (!step || high - low < most) return null;
  const result = [];
  for (let at = Math.ceil(low / step) * step; at <= high; at += step) result.push(at);
  return result;
}
