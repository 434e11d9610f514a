"""A VCF or BCF understood: its names matched; all else the file says itself."""

from __future__ import annotations

from pathlib import Path

from crossproof.io.files.sniff import FileKind
from crossproof.io.genotypes import peek_samples, read_batch
from crossproof.receive.known_season import LARGE, Known
from crossproof.receive.names_of import samples_of
from crossproof.receive.questions import Options
from crossproof.receive.tables import markers_of
from crossproof.receive.understanding import Saying, Understanding


def understand_variants(
    path: Path, kind: FileKind, known: Known, options: Options, *, shown_as: str
) -> Understanding:
    """What a VCF or BCF holds. Raises Unclear for what only a person can know, PlateError where damaged."""
    saying = Saying(options)
    saying.add("file", kind.value.upper())
    limit = known.config.max_input_gb
    renames: dict[str, str] = {}
    n_markers = 0
    if path.stat().st_size > LARGE:
        samples = peek_samples(path, shown_as=shown_as, max_input_gb=limit)
        saying.add("markers", "not compared: the file is large")
    else:
        batch = read_batch(path, batch="new", shown_as=shown_as, max_input_gb=limit, max_markers=None)
        samples = batch.samples
        n_markers = len(batch.markers)
        names = [str(m) for m in batch.markers.ids if str(m) not in (".", "")]
        saying.add("evidence", f"{batch.evidence.value} at {n_markers} markers")
        if names:
            match = markers_of(names, known, options, saying, shown_as=shown_as)
            renames = {a: b for a, b in match.renames.items() if known.aliases.get(a) != b}
        else:
            saying.add("markers", "without names: position and alleles are used instead")
    name, match = samples_of(samples, {}, known, options, saying, shown_as=shown_as)
    entry = {"strand": options.strand} if options.strand == "other" else {}
    return Understanding(
        name,
        entry,
        match.renames,
        renames,
        tuple(saying.lines),
        tuple(saying.misfits),
        (),
        len(match.pairs),
        n_markers,
    )
