"""What reports leave out is told, and numbers never lose their uncertainty."""

import io

import pytest
from rich.console import Console

from analyzer.page import FINDINGS_MOST, SHOWN, listed, print_findings, table
from analyzer.quantities import Estimate
from analyzer.report import number


@pytest.mark.parametrize(
    ("error", "digits", "shown"),
    [(0.02, 1, "-2.06 ± 0.04 m"), (0.2, 1, "-2.1 ± 0.4 m"), (2e-4, 2, "-2.0641 ± 0.0004 m")],
)
def test_an_interval_never_reads_zero(error, digits, shown):
    assert number(Estimate.of(-2.0641, error, "m").as_json(), digits) == shown


def test_long_tables_hold_every_row_or_say_where_it_stands():
    rows = [(f"pass {k}",) for k in range(250)]
    page = listed(("kind",), rows, where="the result")
    first, rest = page.split("<details>")
    assert first == table(("kind",), rows[:SHOWN])
    assert f"<summary>{200 - SHOWN} more</summary>" in rest
    assert "pass 199<" in rest
    assert "pass 200<" not in rest
    assert "The first 200 of 250; all stand in the result." in rest
    assert listed(("kind",), rows[:SHOWN], where="the result") == table(("kind",), rows[:SHOWN])


def test_only_words_that_no_column_can_hold_are_broken():
    page = table(("a", "b"), [("severity of a finding", "an/archive/with/a/long/path.parquet")])
    assert "<td>severity of a finding</td>" in page
    assert '<td class="long">an/archive' in page


def test_errors_come_first_on_the_terminal_and_the_rest_is_counted():
    out = io.StringIO()
    rows = [("warning", "gyro", f"gap {k}") for k in range(FINDINGS_MOST + 4)]
    print_findings([*rows, ("error", "count_FL", "backwards")], Console(file=out, width=100))
    lines = out.getvalue().splitlines()
    assert lines[0].split() == ["error:", "count_FL", "backwards"]
    assert len(lines) == FINDINGS_MOST + 1
    assert lines[-1].strip().startswith("and 5 more: see --html")
