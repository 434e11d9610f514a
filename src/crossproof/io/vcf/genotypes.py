"""Genotypes of a table of VCF samples: usual spellings by look-up, the others by the exact grammar."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from crossproof.io.vcf.format_layout import FieldLayout
from crossproof.io.vcf.grammar import Refused, parse_gt
from crossproof.io.vcf.plain_calls import usual_calls
from crossproof.model.arrays import Bools, Int8s, Ints, UInt8s
from crossproof.model.sentinels import ABSENT, MISSING

_COLON = 58

Refuse = Callable[[int, int, str, Refused], None]
"""Called with record, kept sample, the value and what is wrong with it."""


def _genotype_tables() -> tuple[UInt8s, Int8s]:
    """Lookup from the first three bytes of a sample to a code, and from a code to its two alleles.

    Code 0 means: not a usual spelling. The 16 MB table costs memory only where it is touched.
    """
    codes = np.zeros(1 << 24, dtype=np.uint8)
    alleles = [(MISSING, MISSING)]
    spell = {MISSING: ord(".")} | {a: 48 + a for a in range(10)}
    for a, byte_a in spell.items():
        for b, byte_b in spell.items():
            for separator in b"/|":
                codes[byte_a | separator << 8 | byte_b << 16] = len(alleles)
            alleles.append((a, b))
    return codes, np.array(alleles, dtype=np.int8)


_CODES, _ALLELES = _genotype_tables()
_HIGHEST = _ALLELES.max(axis=1)


def read_genotypes(
    data: bytes, begin: Ints, counts: Ints, layouts: Sequence[FieldLayout], refuse: Refuse
) -> tuple[Int8s, Bools]:
    """Genotypes of records whose structure has been checked.

    Parameters: `begin` (record, sample): places in `data` where the samples begin; `counts` (record,):
    numbers of alleles; `layouts`: of each record. Returns calls (record, sample, 2), missing where FORMAT has
    no GT, and which records are sound (record,); what is wrong with the others goes to `refuse`.
    """
    m, n = begin.shape
    start = begin.ravel()
    n_alleles = counts.astype(np.int8)
    has_gt = np.fromiter((f.has_gt for f in layouts), bool, m)
    alone = np.fromiter((f.only_gt for f in layouts), bool, m)
    if n and has_gt.all() and not alone.any() and int(start.max()) + 4 <= len(data):
        usual = usual_calls(data, begin)
        if usual is not None and (usual.reshape(m, -1).max(axis=1) < n_alleles).all():
            return usual, np.ones(m, dtype=bool)
    # The four bytes from each sample's start, as one number. A sample of one byte at the very end of the
    # chunk has fewer than four bytes left: three more bytes are lent.
    view = np.ndarray(shape=(len(data),), dtype="<u4", buffer=data + b"\n\n\n", strides=(1,))
    words = view[start]
    # VCF 4.4 and later may put a phasing separator in front ('/0/1'): look behind it.
    leading = np.flatnonzero(((words & 0xFF) == 47) | ((words & 0xFF) == 124))
    if len(leading):
        words[leading] = view[start[leading] + 1]
    fourth = (words >> 24).astype(np.uint8)
    more = fourth == _COLON  # whether further fields follow
    code = _CODES[words & 0xFFFFFF]
    code[(fourth >= 32) & ~more] = 0
    odd = np.flatnonzero(code == 0)
    calls = _ALLELES[code]
    highest = _HIGHEST[code]
    good = np.ones(m, dtype=bool)
    if len(odd):
        # One byte and its end: a haploid call or a single '.', common enough to be worth a table.
        first, second = (words[odd] & 0xFF).astype(np.uint8), ((words[odd] >> 8) & 0xFF).astype(np.uint8)
        short = ((second < 32) | (second == _COLON)) & ((first == 46) | ((first >= 48) & (first < 58)))
        place, dot = odd[short], first[short] == 46
        calls[place, 0] = np.where(dot, MISSING, first[short].astype(np.int8) - 48)
        calls[place, 1] = np.where(dot, MISSING, ABSENT)
        highest[place] = calls[place, 0]
        more[place] = second[short] == _COLON
        for one in odd[~short].tolist():
            row, column = divmod(one, n)
            if not has_gt[row]:
                continue
            text = _field_text(data, int(start[one]))
            more[one] = data[int(start[one]) + len(text.encode())] == _COLON
            try:
                pair = parse_gt(text)
                highest[one] = min(max(pair), 127)
                calls[one] = np.minimum(pair, 127)
            except Refused as fault:
                refuse(row, column, text, fault)
                good[row] = False
    above = (highest.reshape(m, n) >= n_alleles[:, None]) & has_gt[:, None]
    if above.any():
        for row, column in np.argwhere(above).tolist():
            good[row] = False
            refuse(row, column, _field_text(data, int(begin[row, column])), _beyond(int(n_alleles[row])))
    if alone.any():
        for row, column in np.argwhere(more.reshape(m, n) & alone[:, None]).tolist():
            good[row] = False
            refuse(row, column, _field_text(data, int(begin[row, column])) + ":...", _EXTRA)
    calls = calls.reshape(m, n, 2)
    calls[~has_gt] = MISSING
    return calls, good


_EXTRA = Refused(
    "The sample has more values than FORMAT names.",
    "Export the file again; FORMAT and the samples do not belong together.",
)


def _beyond(n_alleles: int) -> Refused:
    return Refused(
        f"The genotype names an allele that the record does not list (it has alleles 0 to {n_alleles - 1}).",
        "Export the file again; REF, ALT and the genotypes do not belong together.",
    )


def _field_text(data: bytes, start: int) -> str:
    """The first value of a sample, as text."""
    end = start
    while data[end] >= 32 and data[end] != _COLON:
        end += 1
    return data[start:end].decode("utf-8", "replace")
