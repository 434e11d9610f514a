"""The finished pages as text: policy, digest, nothing from outside, hostile names."""

import re

import pandas as pd
import pytest
from report_parts import HOSTILE

from crossproof.model.corrections import Correction, CorrectionKind
from crossproof.model.findings import Finding, FindingKind, Hold, Scope, VerdictChange
from crossproof.model.results import Verdict
from crossproof.report.content.content import build_content
from crossproof.report.content.inputs import ReportInputs
from crossproof.report.draw.html import digest, render


def inline(html, tag):
    return re.findall(rf"<{tag}(?:\s[^>]*)?>(.*?)</{tag}>", html, flags=re.S)


def test_policy_admits_exactly_the_pages_own_script_and_style(page_html):
    policy = (
        re.search(r'http-equiv="Content-Security-Policy" content="([^"]+)"', page_html)
        .group(1)
        .replace("&#39;", "'")
    )
    style, script = inline(page_html, "style")[0], inline(page_html, "script")[-1]
    assert policy == (
        f"default-src 'none'; script-src '{digest(script)}'; style-src '{digest(style)}'; img-src data:; "
        "base-uri 'none'; form-action 'none'"
    )


def test_nothing_comes_from_outside(page_html):
    html = page_html.replace("http://www.w3.org/2000/svg", "")
    assert not re.search(r"https?://|\ssrc=|url\((?!#)|@import|<link|<iframe|<object|<form", html)
    assert ' style="' not in html, "the policy forbids style attributes"
    assert not re.search(r"<[^>]+\son\w+=", html), "no inline handlers"


def test_digest_of_the_inputs_is_embedded(page_html, season):
    assert f'name="input-digest" content="{season.run["run_digest"]}"' in page_html


def test_ids_are_unique(page_html):
    body = re.sub(r"<script.*?</script>", "", page_html, flags=re.S)
    ids = re.findall(r'\sid="([^"]+)"', body)
    assert len(ids) == len(set(ids))


def test_same_inputs_same_bytes(season, page_html):
    assert render(build_content(season)) == page_html


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_never_become_markup(season, name):
    inputs = ReportInputs(
        season.verdicts.head(4).assign(
            plant=name, mother=name, father=name, cross_id=name, reason=name, decision="keep"
        ),
        crosses=season.crosses.head(1).assign(cross_id=name, mother=name, next_step=name),
        operators=season.operators.assign(operator=name),
        lines=pd.DataFrame({"line": [name], "versions": [2], "findings": [name]}),
        config={"crop": name, "season": name},
        findings=(
            Finding(
                FindingKind.ROTATED,
                Scope.PLATE,
                name,
                name,
                name,
                name,
                other=name,
                hold=Hold.PLATE,
                corrections=(Correction(CorrectionKind.ROTATE, name),),
                changes=(VerdictChange(name, Verdict.SELF, Verdict.HYBRID),),
            ),
        ),
        run={"run_digest": name, "inputs_sha256": {name: name}},
    )
    content = build_content(inputs)
    for html in (render(content),):
        # Our own scripts are the only script elements, and no attribute was broken out of.
        assert len(re.findall(r"<script", html)) in (0, 2)
        assert "<script>alert" not in html
        assert "\x1b" not in html
        assert "\u202e" not in html
        assert "\x00" not in html
