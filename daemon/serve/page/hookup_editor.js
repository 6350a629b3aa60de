// SPDX-License-Identifier: Apache-2.0
// The hookup's text, edited as a copy in the state folder and judged with the same words as the file.
import { get, send } from "./ask.js";
import { attempt as trying, button, make } from "./make.js";

function select(text, line) {
  const lines = text.value.split("\n");
  const from = lines.slice(0, line - 1).reduce((sum, one) => sum + one.length + 1, 0);
  text.focus();
  text.setSelectionRange(from, from + (lines[line - 1]?.length ?? 0));
  text.scrollTop = Math.max(0, (line - 4) * (text.scrollHeight / lines.length));
}

function problemRow(text, problem) {
  const place = [problem.section ? `[${problem.section}]` : null, problem.key].filter(Boolean).join(" ");
  const where = [problem.line ? `Line ${problem.line}` : null, place || null].filter(Boolean);
  return make("li", {}, button([where.join(", "), problem.text].filter(Boolean).join(": "), () => select(text, problem.line || 1)));
}

/* Saves; the answer has its problems also where it was refused for them. */
async function put(text, etag) {
  try {
    return await send("PUT", "hookup", text, etag ? { "If-Match": etag } : {});
  } catch (problem) {
    if (problem.body?.problems?.length) return problem.body;
    throw problem;
  }
}

/* The hookup as it stands. While the logger takes a new one it answers nobody for a moment. */
async function standing() {
  for (let turn = 0; ; turn += 1) {
    try {
      return await get("hookup");
    } catch (problem) {
      if (problem.status !== 0 || turn === 20) throw problem;
      await new Promise((resolve) => setTimeout(resolve, 250));
    }
  }
}

export function editor(hookup) {
  const said = make("p", { class: "said", role: "status" });
  const problems = make("ul", { class: "problems" });
  const text = make("textarea", { id: "text", class: "text", spellcheck: "false", autocapitalize: "off", autocomplete: "off", wrap: "off" });
  text.value = hookup.text;
  const ours = new Set([hookup.text]); // what was read here, or saved from here
  const show = (answer) => {
    problems.replaceChildren(...(answer.problems ?? []).map((one) => problemRow(text, one)));
    return (answer.problems ?? []).length;
  };
  const check = button("Check", () => trying(said, async () => {
    const wrong = show(await send("POST", "hookup/check", text.value));
    return wrong ? `${wrong} ${wrong === 1 ? "thing is" : "things are"} wrong. Nothing was changed.` : "Nothing is wrong with it.";
  }));
  const save = button("Save as a copy", () => trying(said, async () => {
    const saved = text.value;
    const there = await standing();
    if (!ours.has(there.text)) return "Not saved: somebody else changed the hookup meanwhile. Load this page anew, and make the change again.";
    const answer = await put(saved, there.etag);
    if (show(answer)) return "Not saved: see below.";
    ours.add(saved);
    return answer.takes_effect === "now" ? "Saved; it is in use now." : `Saved; it takes effect when the logger starts again.${answer.why ? " " + answer.why : ""}`;
  }));
  return make("section", { class: "part" }, make("h2", {}, "The file"),
    make("p", { class: "quiet small" }, hookup.copy ? "A copy in the state folder is in use. The file itself is as it was: " : "From ",
      make("span", { class: "file" }, hookup.path ?? ""), hookup.copy ? "" : ". What you save here is a copy; the file stays as it is."),
    make("label", { for: "text", class: "apart" }, "Text of the hookup"), text, make("p", { class: "row" }, check, save), said, problems);
}
