# SPDX-License-Identifier: Apache-2.0
"""Scores answers against labels: one result a case, then tables with exact bounds."""
import collections

import numpy
from scipy import stats

THRESHOLDS = {
    "sensitivity": "least share of visible faults that are named",
    "false-alarms": "greatest share of healthy cases with a fault named",
    "circuit": "least share of named faults on the right circuit",
    "place": "least share of right verdicts on the right channel and sensor",
    "narrow": "least share of right verdicts no wider than one due period of the sensor",
    "contained": "least share of right verdicts whose interval contains the onset",
    "outcome": "least share of attempts with the right outcome",
    "shown-right": "least share of verdicts 'shown' that are right",
}


def failed(seed, fault, case, problem):
    return {"seed": seed, "case": fault, "truth": case.label["fault"], "label": case.label,
            "answer": "error", "right": False, "problem": problem}


def score(seed, fault, case, report):
    label, verdict = case.label, report["verdict"]
    named = verdict["fault"] != "nothing-found" and verdict["certainty"] != "cannot-tell"
    answer = "cannot-tell" if verdict["certainty"] == "cannot-tell" else verdict["fault"]
    result = {"seed": seed, "case": fault, "truth": label["fault"], "label": label,
              "answer": answer, "certainty": verdict["certainty"], "candidate": verdict["fault"],
              "channel": verdict["channel"], "sensor": verdict["sensor"], "named": named,
              "observed": verdict["observed"]}
    if label["fault"] == "nothing-found" or not label["visible"]:
        result["right"] = not named or verdict["fault"] in label.get("hidden_also", [])
    else:
        result["right"] = named and verdict["fault"] in label["accept"]
        result["circuit_right"] = named and verdict["circuit"] == label["circuit"]
        if verdict["fault"] == label["fault"] and named:
            result["place_right"] = all(label[key] is None or verdict[key] == label[key]
                                        for key in ("channel", "sensor"))
    if label["not_tested"] and not label["visible"]:
        result["said_not_tested"] = label["not_tested"] in " ".join(map(str, verdict["not_tested"]))
    placed = None not in (label["onset"], verdict["at_from_s"])
    if placed and result["right"] and result.get("circuit_right"):
        slack = max(label["slack"], 1.0 / label["rate"])
        result["contained"] = bool(verdict["at_from_s"] - slack <= label["onset"]
                                   <= verdict["at_to_s"] + slack)
        result["width_s"] = verdict["at_to_s"] - verdict["at_from_s"]
        if label["due"] is not None and label["slack"] == 0:
            result["narrow"] = bool(result["width_s"] <= label["due"] + 2 / label["rate"])
        result["off_s"] = (verdict["at_s"] or verdict["at_from_s"]) - label["onset"]
    result.update(attempts(label, report["attempts"]))
    return result


def attempts(label, told):
    """True attempts against told ones: each is matched by its engagement."""
    outcomes, errors, off, left = [], [], [], list(told)
    for true in label["attempts"]:
        near = [one for one in left if abs(one["from_s"] - true["engage"]) < 0.4]
        answer = near[0]["outcome"] if near else "missed"
        outcomes.append([answer if answer in true["outcomes"] else true["outcomes"][0], answer])
        if near:
            left.remove(near[0])
            off.append(near[0]["from_s"] - true["engage"])
            if true["rpm"] > 0 and near[0]["rpm"]:
                errors.append(near[0]["rpm"] / true["mean_rpm"] - 1)
    outcomes += [["none", one["outcome"]] for one in left]
    return {"outcomes": outcomes, "rpm_errors": errors, "engage_off_s": off}


def share(good, of):
    """Share with its exact (Clopper-Pearson) 95 % bounds."""
    if of == 0:
        return {"good": 0, "of": 0, "share": None, "low": None, "high": None}
    low = 0.0 if good == 0 else float(stats.beta.ppf(0.025, good, of - good + 1))
    high = 1.0 if good == of else float(stats.beta.ppf(0.975, good + 1, of - good))
    return {"good": good, "of": of, "share": good / of, "low": low, "high": high}


def share_of(results, key):
    values = [result[key] for result in results if key in result]
    return share(sum(values), len(values))


def summary(results):
    healthy = [one for one in results if one["truth"] == "nothing-found"]
    hidden = [one for one in results if one["truth"] != "nothing-found"
              and not one["label"]["visible"]]
    sick = [one for one in results if one["truth"] != "nothing-found" and one["label"]["visible"]]
    pairs = [pair for one in results for pair in one.get("outcomes", [])]
    widths = sorted(one["width_s"] for one in results if "width_s" in one)
    engaged = [abs(off) for one in results for off in one.get("engage_off_s", [])]
    errors = [abs(error) for one in results for error in one.get("rpm_errors", [])]
    by_fault = {name: share_of([one for one in sick if one["truth"] == name], "right")
                for name in sorted({one["truth"] for one in sick})}
    alike = {kind: share(sum(bool(one.get("named")) for one in healthy if one["case"] == kind),
                         sum(one["case"] == kind for one in healthy))
             for kind in sorted({one["case"] for one in healthy})}
    said = [one for one in sick + healthy if one.get("named")]
    return {
        "cases": len(results), "seeds": [results[0]["seed"], results[-1]["seed"]],
        "errors": sum(one["answer"] == "error" for one in results),
        "sensitivity": share_of(sick, "right"), "by_fault": by_fault,
        "by_look_alike": alike,
        "false-alarms": share(sum(bool(one.get("named")) for one in healthy), len(healthy)),
        "hidden-right": share_of(hidden, "right"),
        "hidden-told": share_of(hidden, "said_not_tested"),
        "circuit": share_of([one for one in sick if one.get("named")], "circuit_right"),
        "place": share_of(results, "place_right"),
        "contained": share_of(results, "contained"), "narrow": share_of(results, "narrow"),
        "width_s": {"median": widths[len(widths) // 2], "greatest": widths[-1]} if widths else None,
        "outcome": share(sum(true == told for true, told in pairs), len(pairs)),
        "rpm_error": {"median": float(numpy.median(errors)), "p95": float(
            numpy.quantile(errors, 0.95)), "told": len(errors)} if errors else None,
        "engagement_off_s": {"median": float(numpy.median(engaged)), "p95": float(
            numpy.quantile(engaged, 0.95))} if engaged else None,
        "shown-right": share_of([one for one in said if one["certainty"] == "shown"], "right"),
        "likely-right": share_of([one for one in said if one["certainty"] == "likely"], "right"),
        "candidate-right": share(sum(one["candidate"] in one["label"]["accept"] for one in sick
                                     if one["answer"] == "cannot-tell"),
                                 sum(one["answer"] == "cannot-tell" for one in sick)),
    }


def missed(found, limits):
    lines = [f"errors: {found['errors']} cases were not judged"] if found["errors"] else []
    for name, limit in limits.items():
        value = found[name]["share"]
        bad = value is None or (value > limit if name == "false-alarms" else value < limit)
        if bad:
            lines.append(f"{name}: {value if value is None else round(value, 4)}, limit {limit}")
    return lines


def told(one):
    if one["of"] == 0:
        return "none"
    return (f"{one['good']} of {one['of']} = {100 * one['share']:.1f} % "
            f"({100 * one['low']:.1f} to {100 * one['high']:.1f} %)")


def text(results, found):
    lines = [f"{found['cases']} cases, seeds {found['seeds'][0]} to {found['seeds'][1]}", "",
             "truth -> answer"]
    table = collections.defaultdict(collections.Counter)
    for one in results:
        truth = one["truth"] if one["label"]["visible"] else one["truth"] + " (hidden)"
        table[truth][one["answer"]] += 1
    for truth in sorted(table):
        answers = ", ".join(f"{answer} {count}" for answer, count in table[truth].most_common())
        lines.append(f"  {truth:28s} {answers}")
    lines += ["", "healthy, a fault named all the same"]
    lines += [f"  {name:28s} {told(value)}" for name, value in found["by_look_alike"].items()
              if value["good"]] or ["  none"]
    lines += ["", "right, with exact 95 % bounds"]
    lines += [f"  {name:28s} {told(value)}" for name, value in found["by_fault"].items()]
    for name in ("sensitivity", "false-alarms", "hidden-right", "hidden-told", "circuit",
                 "place", "contained", "narrow", "outcome", "shown-right", "likely-right",
                 "candidate-right"):
        lines.append(f"  {name.upper():28s} {told(found[name])}")
    lines += [f"  width of the onset            {found['width_s']}",
              f"  rpm, relative error           {found['rpm_error']}",
              f"  engagement off by             {found['engagement_off_s']}", "", "wrong cases"]
    lines += [wrong(one) for one in results if not is_right(one)]
    return "\n".join(lines)


def is_right(one):
    """In everything that is scored."""
    return bool(one["right"] and one.get("contained", True) and one.get("narrow", True)
                and one.get("place_right", True)
                and all(true == said for true, said in one.get("outcomes", [])))


def wrong(one):
    label = one["label"]
    parts = [f"  seed {one['seed']} {one['case']}"]
    if not one["right"]:
        parts.append(f"truth {one['truth']} {label['channel']} ({label['severity']}) at "
                     f"{label['onset'] and round(label['onset'], 3)}: {one['answer']} "
                     f"[{one.get('candidate')} {one.get('channel')} {one.get('certainty')}]"
                     f" {one.get('problem', '')}{one.get('observed') or ''}")
    if not one.get("contained", True):
        parts.append(f"onset {label['onset']:.4f} is off by {one['off_s'] * 1000:+.1f} ms, "
                     f"interval {one['width_s'] * 1000:.1f} ms")
    elif not one.get("narrow", True):
        parts.append(f"interval of {one['width_s'] * 1000:.1f} ms, "
                     f"due period {label['due'] * 1000:.1f} ms")
    if not one.get("place_right", True):
        parts.append(f"on {label['channel']} of sensor {label['sensor']}: "
                     f"told {one['channel']} of {one['sensor']}")
    parts += [f"outcome {true}: told {said}" for true, said in one.get("outcomes", [])
              if true != said]
    return "; ".join(parts)
