"""The columns of every input sheet, declared once.

One `Column` drives reading, checking, the sheets that `crossproof new` writes and the documentation.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from crossproof.model.limits import MOST_FLOWERS, MOST_HYBRIDS_WANTED, MOST_SEEDS
from crossproof.model.plates import Role


class Kind(StrEnum):
    """How the text of a cell is read."""

    NAME = "name"
    TEXT = "text"
    INTEGER = "whole number"
    NUMBER = "number"
    DATE = "date"
    TIME = "time"
    WELL = "well"
    CHOICE = "choice"


@dataclass(frozen=True)
class Column:
    """One column of an input sheet.

    `low` and `high` are the smallest and largest values allowed, both included, in `unit`. `choices` are the
    only values of a CHOICE. `example` is an invented value that fits.
    """

    name: str
    kind: Kind
    meaning: str
    example: str = ""
    required: bool = False
    unit: str = ""
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    """Other usual headings of the column."""
    words: Mapping[str, str] = field(default_factory=dict)
    """Other usual words of a CHOICE, in small letters, and the choice each one means."""

    @property
    def allowed(self) -> str:
        """The values allowed, in words; empty where any will do."""
        if self.choices:
            return ", ".join(self.choices)
        unit = f" {self.unit}" if self.unit else ""
        if self.low is not None and self.high is not None:
            return f"{self.low:,.10g} to {self.high:,.10g}{unit}"
        if self.low is not None:
            return f"at least {self.low:g}{unit}"
        return {
            Kind.DATE: "YYYY-MM-DD, such as 2031-06-04",
            Kind.TIME: "HH:MM on a 24-hour clock, such as 09:30",
            Kind.WELL: "a well of a 96, 384 or 1536-well plate, such as A1 or H12",
        }.get(self.kind, "")


@dataclass(frozen=True)
class Table:
    """One kind of input sheet: its name, what a row stands for, and its columns in the usual order."""

    name: str
    row_is: str
    columns: tuple[Column, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Column names, in order."""
        return tuple(c.name for c in self.columns)

    def __getitem__(self, name: str) -> Column:
        return next(c for c in self.columns if c.name == name)


CROSSES = Table(
    "crosses",
    "one tagged cross",
    (
        Column("cross_id", Kind.NAME, "number or name on the tag; each used once", "X001", required=True),
        Column("mother", Kind.NAME, "line that was emasculated and bore the seed", "Lark"),
        Column("father", Kind.NAME, "line that gave the pollen", "Wren"),
        Column(
            "cross",
            Kind.TEXT,
            "both parents in one cell, the mother first: mother x father (instead of the two columns)",
            "Lark x Wren",
        ),
        Column("date", Kind.DATE, "day of pollination", "2025-06-04"),
        Column("time", Kind.TIME, "time of pollination", "09:30"),
        Column("operator", Kind.NAME, "who made the cross", "Ana"),
        Column(
            "flowers",
            Kind.INTEGER,
            "flowers pollinated under this tag; 1 where left empty",
            "2",
            low=0,
            high=MOST_FLOWERS,
        ),
        Column("pods", Kind.INTEGER, "pods harvested from these flowers", "1", low=0, high=MOST_FLOWERS),
        Column("seeds", Kind.INTEGER, "seeds harvested from these pods", "4", low=0, high=MOST_SEEDS),
        Column(
            "temperature_c", Kind.NUMBER, "air temperature at pollination", "24.5", unit="°C", low=-5, high=60
        ),
        Column("anthers_removed", Kind.NUMBER, "anthers taken out of each flower", "10", low=0),
        Column(
            "target_hybrids",
            Kind.INTEGER,
            "hybrid plants wanted from this cross",
            "4",
            low=0,
            high=MOST_HYBRIDS_WANTED,
        ),
        Column("notes", Kind.TEXT, "anything worth remembering", "example row - delete it"),
    ),
)

SAMPLES = Table(
    "samples",
    "one well",
    (
        Column("sample_id", Kind.NAME, "the sample's name in the genotype file", "S01", required=True),
        Column(
            "batch",
            Kind.NAME,
            "name of the genotype file in config.yaml (needed where several files hold this sample)",
            "B01",
        ),
        Column("plate", Kind.NAME, "name of the plate", "plate1"),
        Column("well", Kind.WELL, "place on the plate", "A1"),
        Column(
            "role",
            Kind.CHOICE,
            "what is in the well",
            Role.PROGENY.value,
            required=True,
            choices=(Role.PARENT.value, Role.PROGENY.value, Role.BLANK.value),
        ),
        Column("line", Kind.NAME, "for a parent: the name of the line", ""),
        Column("cross_id", Kind.NAME, "for a progeny plant: the number on its tag", "X001"),
        Column("pod", Kind.NAME, "for a progeny plant: the pod its seed came from", "1"),
        Column("plant", Kind.NAME, "name of the plant; the same in each well that holds it", "X001-1"),
        Column(
            "place",
            Kind.NAME,
            "where the plant stands, such as house, tray and pot",
            "house 1, tray 2, pot 7",
        ),
        Column(
            "inbreeding",
            Kind.NUMBER,
            "for a parent: from 0 (an F1 or a plant of unknown breeding) to 1 (a fixed line)",
            "",
            low=0,
            high=1,
        ),
        Column("line_mother", Kind.NAME, "for a parent that is an F1: the mother line of the F1", ""),
        Column("line_father", Kind.NAME, "for a parent that is an F1: the father line of the F1", ""),
    ),
)

MARKERS = Table(
    "markers",
    "one marker",
    (
        Column("marker", Kind.NAME, "the marker's name in the genotype files", "M01", required=True),
        Column("chrom", Kind.TEXT, "chromosome", "Chr01"),
        Column("pos", Kind.INTEGER, "position on the chromosome", "120400", unit="bp", low=0),
        Column("cm", Kind.NUMBER, "position on the genetic map of the chromosome", "", unit="cM", low=0),
        Column(
            "inheritance",
            Kind.CHOICE,
            "maternal for a chloroplast marker or else nuclear",
            "nuclear",
            choices=("nuclear", "maternal"),
        ),
        Column("alleles", Kind.TEXT, "the alleles with the reference one first", "A/G"),
        Column("counted_allele", Kind.TEXT, "for a table of 0 1 2: the allele that is counted", ""),
        Column(
            "generic_alleles",
            Kind.TEXT,
            "for files that call the alleles A and B or 1 and 2: what these stand for in this order",
            "",
        ),
        Column(
            "also_called", Kind.TEXT, "other names of the marker in genotype files with ; between them", ""
        ),
    ),
)

CORRECTIONS = Table(
    "corrections",
    "one answer to what a plate check proposed",
    (
        Column("kind", Kind.TEXT, "what to do, in the words of the proposal", "swap wells", required=True),
        Column("target", Kind.NAME, "the plate, well, sample or tag it is about", "plate1:A1", required=True),
        Column("other", Kind.NAME, "the other plate, well, tag or line, where there is one", "plate1:B1"),
        Column("detail", Kind.TEXT, "a further choice, such as by how many columns", ""),
        Column("note", Kind.TEXT, "who decided, and why", ""),
    ),
)

_USUAL_HEADINGS: Mapping[str, Mapping[str, str]] = {
    "crosses": {
        "cross_id": "tag, tag no, tag number, tag id, cross no, cross nr, cross number, crossing no, "
        "crossing id",
        "mother": "female, female parent, female line, seed parent, maternal parent, mother line, mum, "
        "mom, ♀",
        "father": "male, male parent, male line, pollen parent, paternal parent, father line, pollen donor, "
        "pollinator, dad, ♂",
        "cross": "parents, pedigree, combination, cross combination, ♀ x ♂, ♀ × ♂, female x male",
        "date": "pollination date, date of pollination, crossing date, date of crossing, cross date, day",
        "time": "pollination time, time of pollination, crossing time, time of crossing, time of day",
        "operator": "technician, crosser, worker, person, made by, crossed by, pollinated by, initials",
        "flowers": "flowers pollinated, no of flowers, number of flowers, pollinated flowers",
        "pods": "pods harvested, no of pods, number of pods",
        "seeds": "seeds harvested, no of seeds, number of seeds",
        "temperature_c": "temp, temp c, temperature, air temperature, air temp",
        "anthers_removed": "anthers, no of anthers, number of anthers",
        "target_hybrids": "target, hybrids wanted, wanted",
        "notes": "note, remark, remarks, comment, comments",
    },
    "samples": {
        "sample_id": "sample, sample name, sample no, sample number, dna id, dna no",
        "batch": "genotype file",
        "plate": "plate id, plate name, plate no, plate number",
        "well": "position, well position, well id",
        "role": "type, sample type, kind",
        "line": "line name, parent line, inbred, accession",
        "cross_id": "cross, tag, tag no, tag number, cross no, cross nr, cross number",
        "pod": "pod no, pod number",
        "plant": "plant id, plant name, plant no, plant number",
        "inbreeding": "inbreeding coefficient",
    },
    "markers": {
        "marker": "marker name, marker id, snp, snp id, assay, locus",
        "chrom": "chr, chromosome, linkage group",
        "pos": "position, bp, position bp",
        "cm": "genetic position, map position, position cm",
        "alleles": "allele, snp alleles",
        "also_called": "synonyms, synonym, other names, aliases, alias",
    },
    "corrections": {"note": "notes, remark, remarks, comment, who"},
}
"""Headings that breeders and laboratories usually write (common practice, no source)."""

_USUAL_WORDS: Mapping[str, Mapping[str, Mapping[str, str]]] = {
    "samples": {
        "role": {
            "f1": Role.PROGENY.value,
            "offspring": Role.PROGENY.value,
            "seedling": Role.PROGENY.value,
            "plant": Role.PROGENY.value,
            "p": Role.PARENT.value,
            "parents": Role.PARENT.value,
            "parent line": Role.PARENT.value,
            "line": Role.PARENT.value,
            "ntc": Role.BLANK.value,
            "empty": Role.BLANK.value,
            "water": Role.BLANK.value,
            "blanks": Role.BLANK.value,
        }
    },
}
"""Words of the trade for a choice (common practice, no source)."""


def _with_usual(table: Table) -> Table:
    headings, words = _USUAL_HEADINGS.get(table.name, {}), _USUAL_WORDS.get(table.name, {})
    columns = tuple(
        replace(
            c,
            also=tuple(h.strip() for h in headings.get(c.name, "").split(",") if h.strip()),
            words=words.get(c.name, {}),
        )
        for c in table.columns
    )
    return replace(table, columns=columns)


CROSSES, SAMPLES, MARKERS, CORRECTIONS = map(_with_usual, (CROSSES, SAMPLES, MARKERS, CORRECTIONS))

TAGS = Table(
    "tags",
    "one printed tag",
    (
        Column("tag", Kind.NAME, "number on the tag with its check letter", "0001Q", required=True),
        Column("season", Kind.TEXT, "season of the tag as it stands in its QR code", "2027", required=True),
        Column("planned", Kind.NAME, "planned cross that it was printed for", "P001"),
        Column("mother", Kind.NAME, "mother printed on the tag", "Lark"),
        Column("father", Kind.NAME, "father printed on the tag", "Wren"),
        Column("flowers", Kind.INTEGER, "flowers to pollinate", "2", low=0, high=MOST_FLOWERS),
        Column("week", Kind.TEXT, "week planned", "2027-W23"),
        Column("operator", Kind.NAME, "who is to make the cross", "Ana"),
        Column("place", Kind.NAME, "where the mother plant stands", "house 1"),
    ),
)
"""tags.csv, which `crossproof tags` writes: it is no sheet of config.yaml."""

TABLES: Mapping[str, Table] = {t.name: t for t in (CROSSES, SAMPLES, MARKERS, CORRECTIONS)}
