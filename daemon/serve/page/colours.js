// SPDX-License-Identifier: Apache-2.0
// The sheet's colours for canvases, read anew when light and dark change places.
export function colours() {
  const style = getComputedStyle(document.documentElement);
  const of = (name) => style.getPropertyValue("--" + name).trim();
  const tint = of("tint").split(/\s+/).join(",");
  return {
    ink: of("ink"), soft: of("soft"), rule: of("rule"), in: of("in"), out: of("out"), unknown: of("unknown"),
    sheet: of("sheet"), paper: of("paper"), shade: (part) => `rgba(${tint},${part})`,
  };
}

export function onScheme(act, signal) {
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", act, { signal });
}
