"""What the files of a finished season say, held against each other; nothing of the program reads them.

`results_on_disk` reads tables, report, workbook and, where they are given, what the terminal showed and the
answers of `explain`; `faults_of` returns every statement that the files contradict. Also a command:
`python tests/report/statements_on_disk.py SEASON...`.
"""

from __future__ import annotations

import json
import re
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from results_on_disk import Files, Row, integer, numbers_in

PILES = ("keep", "cull", "sample again", "wait", "hold")


def pile(plant: Row) -> str:
    """Where a plant stands on the worklist."""
    if plant["decision"] != "retest":
        return plant["decision"]
    return "sample again" if plant["waits_for"] == "second sample" else "wait"


def faults_of(files: Files) -> list[str]:
    """Every statement of the files that the files contradict."""
    checks = (
        counts, figures, rates_shown, people_shown, next_steps, piles_everywhere, findings_shown, language,
        names, contradictions, verdicts_counted,
    )  # fmt: skip
    return [f"{check.__name__}: {fault}" for check in checks for fault in check(files)]


def counts(files: Files) -> Iterator[str]:
    """Every number of the opening sentences, cards and notices is the count that its words name."""
    v, c = files.table["verdicts"], files.table["crosses"]
    piles = Counter(pile(p) for p in v)
    needs = Counter(p["waits_for"] for p in v)
    counted = Counter(p["verdict"] for p in v if p["decision"] != "hold")
    judged = sum(n for verdict, n in counted.items() if verdict != "undetermined")
    wanted = [x for x in c if integer(x["target"]) > 0]
    reached = [x for x in wanted if integer(x["hybrid"]) >= integer(x["target"])]
    repeat = [x for x in c if x["next_step"] == "repeat"]
    tested = [x for x in c if integer(x["tested"])]
    fruitless = [x for x in tested if not integer(x["hybrid"]) and not integer(x["held"])]
    flowers = sum(integer(x["flowers_to_repeat"]) for x in c)
    people = {x["operator"] for x in c if x.get("operator")}
    markers, lines = files.table["markers"], files.table["lines"]
    plates = {s["plate"] for s in files.table["samples"] if s.get("plate")} | {
        p["plate"] for p in files.table["plates"]
    }
    share = f"{100 * counted['hybrid'] / judged:.0f}" if judged else ""
    n = r"(\d[\d,]*)"
    known = (
        (rf"^{n} cross(?:es)?\b", len(c)),
        (rf"\bby {n} (?:people|person)", len(people)),
        (rf"{n} plants? genotyped", len(v)),
        (rf"\bon {n} plates?\b", len(plates)),
        (rf"[Oo]f {n} with a verdict", judged),
        (rf"with a verdict, {n} \(", counted["hybrid"]),
        (rf"with a verdict, [\d,]+ \({n} %\)", integer(share)),
        (rf"{n} more (?:is|are) on hold", piles["hold"]),
        (rf"Of {n} plants?, ", len(v)),
        (rf"{n} can be kept", piles["keep"]),
        (rf"{n} can leave", piles["cull"]),
        (rf"{n} needs? a second sample", piles["sample again"]),
        (rf"{n} waits? for a parent to be typed", needs["typing of a parent"]),
        (rf"{n} (?:waits? for|needs?) more markers", needs["more markers"]),
        (rf"^Wait .*?{n} for a parent", needs["typing of a parent"]),
        (rf"^Wait .*, {n} for more markers", needs["more markers"]),
        (rf"(?:^|\. |; ){n} (?:is|are) on hold", piles["hold"]),
        (rf"{n} of \d[\d,]* crosses (?:has|have) the hybrids", len(reached)),
        (rf"\d[\d,]* of {n} crosses (?:has|have) the hybrids", len(wanted)),
        (rf"^Keep {n} ", piles["keep"]),
        (rf"^Cull {n} ", piles["cull"]),
        (rf"^Sample again {n} ", piles["sample again"]),
        (rf"^Wait {n} ", piles["wait"]),
        (rf"^Hold {n} ", piles["hold"]),
        (rf"^Repeat {n} ", len(repeat)),
        (rf"^Do not act on {n} plant", piles["hold"]),
        (rf"{n} flowers? in all", flowers),
        (rf"{n} crosse?s? (?:is|are) on record", len(c)),
        (rf"{n} with plants tested", len(tested)),
        (rf"{n} tested cross(?:es)? (?:has|have) no proven hybrid", len(fruitless)),
        (rf"rest on {n} lines?", len(lines)),
        (rf"lines? and {n} markers?", sum(m["used"] == "yes" for m in markers)),
        (rf"{n} markers? (?:was|were) set aside", sum(m["used"] != "yes" for m in markers)),
        (rf"{n} lines? (?:has|have) samples that contradict", sum(integer(x["versions"]) > 1 for x in lines)),
        (
            rf"{n} lines? (?:has|have) several samples",
            sum(integer(x["versions"]) <= 1 < integer(x["wells_with_calls"]) for x in lines),
        ),
        (rf"{n} flowers? gave", sum(integer(x.get("flowers", "")) for x in c)),
        (rf"flowers? gave {n} proven", counted["hybrid"]),
    )
    summary = next((p.text for p in files.page.all("p", kind="summary")), "")
    told = [
        summary,
        *(files.lead(s) for s in ("do", "crosses", "panel")),
        files.lead("crossing").split(" Counted")[0],
    ]
    told += [li.text for li in files.page.all("li", kind="card")]
    told += [a.text for a in files.page.all("aside") if a.text.startswith("Do not act")]
    first_sheet = [" ".join(str(x) for x in row[:3] if x is not None) for row in files.sheets["Start here"]]
    for text in told:
        left = text
        for pattern, value in known:
            for found in re.finditer(pattern, text):
                if integer(found.group(1)) != value:
                    yield f"{value} by the tables: {text}"
                left = left.replace(found.group(1), "", 1)
        if numbers := numbers_in(left):
            yield f"numbers {sorted(numbers)} of no table: {text}"
    for line in first_sheet:
        for label, number in re.findall(r"^(\d+) (Keep|Cull|Sample again|Wait|Hold)\b", line):
            if int(label) != piles[number.lower()]:
                yield f"{piles[number.lower()]} by the tables: {line}"
    tally = [
        li.text
        for li in files.page.all("li")
        if re.match(r"\d+ (?:hybrid|self|outcross|off pedigree|undet|on hold)", li.text)
    ]
    for text in tally:
        number, word = re.match(r"(\d+) (off pedigree|on hold|\w+)", text).groups()  # type: ignore[union-attr]
        value = piles["hold"] if word == "on hold" else counted[word.replace(" ", "_")]
        if int(number) != value:
            yield f"{value} by the tables: {text}"
    if sum(integer(re.match(r"\d+", t).group()) for t in tally) != len(v):  # type: ignore[union-attr]
        yield f"the tally does not add up to {len(v)}: {tally}"


def figures(files: Files) -> Iterator[str]:
    """A number in the sentence of a figure stands in the table behind it."""
    for figure in files.page.all("figure"):
        sentence = " ".join(n.text for caption in figure.all("figcaption") for n in caption.all("span"))
        tables = list(figure.all("table"))
        if not tables:
            continue
        cells = " | ".join(c.text for t in tables for c in t.all("td", "th", "caption"))
        rows = str(sum(1 for t in tables for _ in t.all("tr")) - len(tables))
        missing = (
            numbers_in(sentence)
            - numbers_in(cells)
            - {"95", "99.8", "1" if "includes 1" in sentence else rows, rows}
        )
        if missing:
            yield f"{sorted(missing)} not in the table of {figure.attributes.get('id')}: {sentence}"
        for name in re.findall(r"(?:highest|lowest) at ([^(]+?) \(([^)]*)\)", sentence):
            found = [r for t in tables for r in t.all("tr") if next(r.all("th")).text == name[0]]
            if not found or name[1] not in [c.text for c in found[0].all("td")]:
                yield f"{name} is no row of the table: {sentence}"


SHARE = re.compile(r"^(under |over )?(\d+(?:\.\d+)?) %$")


def same_share(shown: str, value: str) -> bool:
    """Whether a share as it is shown is the number of the table."""
    if not shown or not value or value == "nan":
        return (not shown and value in ("", "nan")) or not value or value == "nan" or not shown
    found = SHARE.match(shown)
    if not found:
        return shown == "none" and float(value) == 0
    x, y = float(found.group(2)), 100 * float(value)
    if found.group(1) == "under ":
        return y <= x
    if found.group(1) == "over ":
        return y >= x
    return abs(x - y) <= (0.51 if "." not in found.group(2) else 0.051)


def rates_shown(files: Files) -> Iterator[str]:
    """Rates by hour, line and week are those of rates_by.csv."""
    rates = {(r["factor"], r["level"]): r for r in files.table.get("rates_by", [])}
    for table in files.page.all("table"):
        found = re.match(r"by-\d+-(.*)-table$", table.attributes.get("id", ""))
        if not found:
            continue
        factor = next((f for f, _ in rates if re.sub(r"[^a-z0-9]", "-", f.lower()) == found.group(1)), "")
        for row in files.rows(table.attributes["id"]):
            level = next(iter(row.values()))
            there = rates.get((factor, level))
            if there is None:
                yield f"{level} is no {factor} of rates_by.csv"
                continue
            success = "True success" in table.text
            name = "true_success" if success else "hybrid_rate"
            drawn = there[f"{name}_shrunk"] or there[name]
            for shown, value in ((row["rate"], drawn), (row.get("selfs", ""), there["selfing_rate"])):
                if not same_share(shown, value):
                    yield f"{factor} {level}: {shown} shown, {value} in rates_by.csv"
            for shown, column in ((row["tags"], "tags"), (row["plants"], "tested")):
                if integer(shown) != round(float(there[column])):
                    yield f"{factor} {level}: {shown} {column} shown, {there[column]} in rates_by.csv"


def people_shown(files: Files) -> Iterator[str]:
    """What is said of people is in operators.csv, and too few plants are said to be so everywhere."""
    people = {r["operator"]: r for r in files.table["operators"]}
    few = {name for name, r in people.items() if r["judgement"] == "too few to judge"} | {
        name for name, r in people.items() if "too few" in r["judgement"]
    }
    for row in files.rows("people-table"):
        r = people.get(row["person"])
        if r is None:
            yield f"{row['person']} is not in operators.csv"
            continue
        if integer(row["plants counted"]) != integer(r["counted"]) or integer(row["tags"]) != integer(
            r["tags"]
        ):
            yield f"{row} differs from operators.csv"
        if not same_share(row.get("selfs", ""), r["selfing_rate"]):
            yield f"{row['person']}: selfs {row['selfs']}, {r['selfing_rate']} in operators.csv"
        if (row["person"] in few) != ("too few" in row["remark"]):
            yield f"{row['person']}: too few in one place only: {row['remark']!r}, {r['judgement']!r}"
        if row["person"] not in few:
            continue
        chart = next((f for f in files.page.all("figure") if f.attributes.get("id") == "funnel"), None)
        if chart and re.search(rf"Outside the limits: [^.]*\b{re.escape(row['person'])}\b", chart.text):
            yield f"{row['person']} has too few plants and is said to lie outside"
    for row in files.table["operators"]:
        # a share of n plants cannot be known better than n independent plants tell
        n, rate = integer(row["determined"]), row["selfing_rate"]
        if n == 0 and rate not in ("", "nan"):
            yield f"{row['operator']}: a rate of no plant: {rate}"


def next_steps(files: Files) -> Iterator[str]:
    """Each cross has one next step, the same in crosses.csv, report, worklist, terminal and explanation."""
    want = {r["cross_id"]: (r["next_step"], r["next_step_detail"]) for r in files.table["crosses"]}
    left = {c: s for c, s in want.items() if s[0] != "done"}
    shown = {r["cross"]: (r["next step"], r["what it needs"]) for r in files.rows("steps")}
    if shown != left:
        yield f"report: {set(shown.items()) ^ set(left.items())}"
    sheet = {r["Cross"]: (r["Next step"], r["What it needs"]) for r in files.sheet("Next steps", "Next step")}
    if sheet != left:
        yield f"worklist: {set(sheet.items()) ^ set(left.items())}"
    counted = Counter(s for s, _ in want.values())
    for name, text in files.said:
        if name == "terminal":
            found = re.search(r"Next steps of the crosses: ([^.]*)\.", text.replace("\n", " "))
            told = dict(re.findall(r"([a-z ]+?) (\d+)(?:,|$)", found.group(1))) if found else {}
            if {k.strip(): int(n) for k, n in told.items()} != dict(counted):
                yield f"terminal: {told}, {dict(counted)} by crosses.csv"
        elif name.startswith("cross:"):
            step = ": ".join(want[name.removeprefix("cross:")])
            if step not in " ".join(text.split()):
                yield f"explain {name} does not say {step}"
    held = Counter(p["cross_id"] for p in files.table["verdicts"] if p["decision"] == "hold")
    waiting = Counter(p["cross_id"] for p in files.table["verdicts"] if pile(p) in ("sample again", "wait"))
    for row in files.table["crosses"]:
        cross, step, detail = row["cross_id"], row["next_step"], row["next_step_detail"]
        if (step == "hold") != (held[cross] > 0):
            yield f"{cross}: {step} with {held[cross]} plants on hold"
        if integer(row["held"]) != held[cross]:
            yield f"{cross}: held {row['held']}, {held[cross]} in verdicts.csv"
        if step == "repeat" and waiting[cross]:
            yield f"{cross}: to be repeated while {waiting[cross]} plants wait"
        if step == "done" and integer(row["hybrid"]) < integer(row["target"]):
            yield f"{cross}: done with {row['hybrid']} of {row['target']}"
        numbers = [integer(x) for x in re.findall(r"(\d+) plants? (?:on hold|waits?|needs?)", detail)]
        possible = {held[cross], waiting[cross]} | {
            sum(p["waits_for"] == need for p in files.table["verdicts"] if p["cross_id"] == cross)
            for need in ("second sample", "typing of a parent", "more markers")
        }
        if not set(numbers) <= possible:
            yield f"{cross}: {detail}; {held[cross]} held, {waiting[cross]} waiting"


def piles_everywhere(files: Files) -> Iterator[str]:
    """A plant stands on the same pile in verdicts.csv, on each sheet and in its explanation."""
    want = {p["plant"]: pile(p) for p in files.table["verdicts"]}
    for name in ("Walk", "By cross"):
        told = {
            r["Plant"]: str(r["What to do"]).lower()
            for r in files.sheet(name, "What to do")
            if r.get("Plant")
        }
        told = {k: t for k, t in told.items() if t in PILES}
        if want and told != want:
            yield f"sheet {name}: {sorted(set(told.items()) ^ set(want.items()))[:6]}"
    for name in ("Keep", "Cull", "Hold"):
        plants = {r["Plant"] for r in files.sheet(name, "Plant") if r.get("Plant")}
        if plants != {p for p, where in want.items() if where == name.lower()}:
            yield f"sheet {name} lists other plants than verdicts.csv"
    for name, text in files.said:
        if name.startswith("plant:"):
            plant = next(p for p in files.table["verdicts"] if p["plant"] == name.removeprefix("plant:"))
            decision = re.search(r"Decision: (\w+)", text)
            if decision and decision.group(1) != plant["decision"]:
                yield f"explain {name}: {decision.group()}, {plant['decision']} in verdicts.csv"


def findings_shown(files: Files) -> Iterator[str]:
    """As many findings as are said; a sample to type again is of no plant that has its verdict."""
    section = files.section("plates")
    if section is None:
        return
    lead, cards = files.lead("plates"), list(section.all("li", kind="finding"))
    shown = len(cards) + len(files.rows("remarks"))
    said = re.search(r"found (\d+) things? to look at", lead)
    if (int(said.group(1)) if said else 0) != shown and len(files.rows("remarks")) < 200:
        yield f"{shown} findings shown: {lead}"
    grave = [c for c in cards if "stop" in c.attributes["class"].split()]
    said = re.search(r"look at, (\d+) of them", lead)
    if (int(said.group(1)) if said else 0) != len(grave) and len(grave) < 60:
        yield f"{len(grave)} grave findings shown: {lead}"
    held = [p for p in files.table["verdicts"] if p["decision"] == "hold"]
    if "on hold" in lead and not held:
        yield f"no plant is held: {lead}"
    decided = {s: p for p in files.table["verdicts"] for s in re.split(r"[;, ]+", p["samples"]) if s}
    for row in files.rows("remarks"):
        sample = re.match(r"sample (\S+?)(?:,|$)", row["place"])
        plant = decided.get(sample.group(1)) if sample else None
        again = "again" in row["what to do"] and "verdict stands" not in row["what to do"]
        if (
            plant
            and again
            and plant["decision"] in ("keep", "cull")
            and plant["samples"] == plant["sample_id"]
        ):
            yield f"{plant['plant']} is to {plant['decision']}, but: {row['what to do']}"


ONE = "plant|cross|line|marker|plate|seed|flower|pod|sample|hybrid|tag|person|well"
MANY = "plants|crosses|lines|markers|plates|seeds|flowers|pods|samples|hybrids|tags|people|wells"
BEFORE = r"(?<![\d.,/%-])"
SEVERAL = rf"{BEFORE}(?:[2-9]|\d\d+)[ \u00a0]"
WORDS = (
    (rf"{BEFORE}\b1[ \u00a0](?:{MANY})\b", "one of many"),
    (rf"{SEVERAL}(?:{ONE})\b(?![-_]| child)", "many of one"),
    (rf"{BEFORE}1[ \u00a0](?:{ONE}) (?:are|have|need|wait|were)\b", "one are"),
    (rf"(?<!of ){SEVERAL}(?:{MANY}) (?:is|has|needs|waits|was)\b", "many is"),
    (r"\b([A-Za-z]+) \1\b", "a word twice"),
    (r"\bnan\b|NaN|<NA>|\bNone\b|\{\w+\}|\(\)| ,|(?<![\w,]),,|(?<!\.)\.\.(?!\.)", "a gap"),
    (r"\d\.\d{7,}", "too many digits"),
)


def language(files: Files) -> Iterator[str]:
    """Singular and plural agree; no gap and no number as a machine writes it."""
    for text in files.texts:
        for pattern, what in WORDS:
            if found := re.search(pattern, text):
                yield f"{what}: {found.group()!r} in {text[:200]!r}"


NAME = re.compile(r"(?<![\w/.:-])(?:[A-Z]{1,3}\d{1,6}(?:-\d+)?)(?![\w/-])")
WELL = re.compile(r"^(?:[A-P]|A[A-F])\d{1,2}$")


def names(files: Files) -> Iterator[str]:
    """No cross, line, plate, marker or sample is named that the season's own files do not hold."""
    known, missing = files.inputs, Counter()
    own = set(re.findall(r"[\w.-]+", known)) | {f"RETEST-{k:02d}" for k in range(100)}
    for text in files.texts:
        for name in NAME.findall(text):
            if name not in own and not WELL.match(name) and name not in known and "RETEST" not in text:
                missing[name] += 1
    yield from (f"{name} is in no file of the season" for name in sorted(missing))


NEVER = (
    (r"The checks found nothing", r"serious enough"),
    (r"No line has two samples", r"lines? ha(?:s|ve) samples that contradict"),
    (r"none has to be repeated", r"pollinate \d+ flower"),
    (r"No progeny plant has been genotyped", r"can be kept"),
    (r"No term is beyond chance", r"Beyond chance:"),
    (r"Nobody lies outside", r"Outside the limits: "),
    (r"too few plants or tags to compare people", r"(?:person lies|people lie) outside the limits"),
    (r"No marker was set aside", r"Markers set aside and why"),
    (r"No marker could be used", r"[1-9]\d* can be kept"),
    (r"No operator is recorded", r"made the crosses"),
    (r"none holds a plant", r"Some plants are held"),
)
"""Pairs of statements of which one report never has both."""
PLANT_NEVER = (
    (r"Decision: keep", r"cannot be proven|has no verdict|sample again|fresh leaf"),
    (r"below the threshold", r"> 0\.999"),
    (r"no call carries", r"[1-9]\d* calls carry"),
    (r"has no verdict", r"is a hybrid of|is a self:"),
    (r"Decision: cull", r"fresh leaf|keep (?:it|this plant)"),
)
"""Pairs of statements of which the explanation of one plant never has both."""
CROSS_NEVER = (
    (r"next step\s+hold", r"[Pp]ollinate \d+ flower"),
    (r"next step\s+(?:retest|type the parent)", r"[Pp]ollinate \d+ flower"),
    (r"next step\s+repeat", r"on hold"),
    (r"next step\s+done", r"[Pp]ollinate \d+ flower"),
    (r"Nothing against it", r"swapped|reciprocal|unresolved|contradict"),
)
"""Pairs of statements of which the explanation of one cross, line or plate never has both."""


def contradictions(files: Files) -> Iterator[str]:
    """No pair of the written lists stands together."""
    whole = "\n".join(n.text for n in files.page.all("p", "figcaption", "caption", "li", "aside", "td"))
    told = [("report", whole, NEVER)]
    for name, text in files.said:
        if name != "terminal":
            told.append((name, text, PLANT_NEVER if name.startswith("plant:") else CROSS_NEVER))
    for name, text, never in told:
        for one, other in never:
            if re.search(one, text) and re.search(other, text):
                yield f"{name}: {one!r} beside {other!r}"
    for plant in files.table["verdicts"]:
        sure = max(
            (float(plant[c] or 0) for c in ("p_hybrid", "p_self", "p_outcross", "p_off_pedigree")), default=0
        )
        if plant["verifiable"] == "no" and plant["decision"] == "keep":
            yield f"{plant['plant']} is to keep, its cross cannot be proven"
        if plant["reason"] == "two classes close" and sure >= 0.95:
            yield f"{plant['plant']}: two classes close, {sure} of one"
        if plant["decision"] == "keep" and plant["verdict"] != "hybrid":
            yield f"{plant['plant']}: keep a {plant['verdict']}"


def verdicts_counted(files: Files) -> Iterator[str]:
    """The page's own data about plants are those of verdicts.csv; the table of verdicts adds up."""
    data = next((s for s in files.page.all("script") if s.attributes.get("id") == "data"), None)
    if data is not None:
        json.loads("".join(p for p in data.inside if isinstance(p, str)))
    shown = {r["verdict"]: integer(r["plants"]) for r in files.rows("het-table")}
    real = Counter(p["verdict"].replace("_", " ") for p in files.table["verdicts"] if p["het_share"])
    if shown and shown != dict(real):
        yield f"heterozygosity: {shown} shown, {dict(real)} in verdicts.csv"


def main(folders: list[str]) -> int:
    """Print the faults of each season; what the terminal showed is taken from SEASON.out beside it."""
    found = 0
    for name in folders:
        folder = Path(name)
        out = folder.with_name(folder.name + ".out")
        said = (("terminal", out.read_text(encoding="utf-8")),) if out.exists() else ()
        for fault in faults_of(Files(folder, said)):
            found += 1
            print(f"{folder.name}: {fault}")
    return min(found, 1)


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
