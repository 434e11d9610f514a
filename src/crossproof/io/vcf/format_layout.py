"""What the FORMAT value of a VCF record says: which fields its samples have, and where."""

from __future__ import annotations

from dataclasses import dataclass

from crossproof.io.vcf.grammar import AGAIN, Refused


@dataclass(frozen=True)
class FieldLayout:
    """Where the fields we read stand in a FORMAT value; None where it has no such field."""

    keys: tuple[str, ...]
    has_gt: bool
    pl: int | None
    gl: int | None
    ad: int | None
    ad_unusable: bool = False  # has AD, but not one depth for each allele

    @property
    def only_gt(self) -> bool:
        """True where a sample holds its genotype and nothing else."""
        return self.keys == ("GT",)

    @staticmethod
    def parse(text: str, declared: dict[str, str]) -> FieldLayout:
        """Layout of one FORMAT value. `declared` gives the header's Number for each field.

        Raises Refused where the value breaks the grammar or has no field that holds genotypes.
        """
        keys = tuple(text.split(":"))
        if not all(keys) or len(set(keys)) < len(keys) or " " in text:
            raise Refused(f"FORMAT {text!r} has an empty, repeated or blank field name.", AGAIN)
        if "GT" in keys and keys[0] != "GT":
            raise Refused(f"FORMAT {text!r} has GT, but not as its first field.", AGAIN)
        places = {key: i for i, key in enumerate(keys)}
        # Some callers write the depth of the other allele alone under the name AD, and say so by Number=1.
        ad = places.get("AD") if declared.get("AD", "R") in ("R", "G", ".", "2", "") else None
        unusable = "AD" in places and ad is None
        layout = FieldLayout(keys, "GT" in keys, places.get("PL"), places.get("GL"), ad, unusable)
        if not layout.has_gt and layout.pl is None and layout.gl is None:
            raise Refused(
                f"FORMAT {text!r} has no genotypes: neither GT, PL nor GL.",
                "Export the file with genotypes.",
                record_only=True,
            )
        return layout
