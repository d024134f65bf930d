"""The quote on paper, read back with pypdf and the csv module: sums, and nothing of costs for the customer."""

from __future__ import annotations

import csv
import io
import re

import pypdf
import pytest

from optimiser.documents.papers import PAPERS, PaperOptions, choose_papers, make_papers, papers_of
from optimiser.documents.words import number
from optimiser.problems import BadInput
from tests.documents.sample import courtyard

QUOTES = [paper.name for paper in PAPERS if paper.quotes]


def text_of(data: bytes) -> str:
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages)


def test_costs_and_margin_stand_in_the_offices_quote_alone() -> None:
    plan = courtyard()
    assert plan.quote is not None
    files = make_papers(plan, choose_papers(QUOTES), PaperOptions(date="17 May"))
    office, customer = text_of(files["quote.pdf"]), text_of(files["quote_customer.pdf"])
    prices = {number(amount, 2) for amount in (plan.quote.net, plan.quote.tax, plan.quote.total)}
    prices |= {number(item.price, 2) for item in plan.quote.items}
    costs = {number(item.cost, 2) for item in plan.quote.items} | {number(plan.quote.cost, 2)}
    costs |= {number(plan.quote.hour_cost, 2), number(plan.quote.net - plan.quote.cost, 2)}
    assert costs & prices == set(), "the sample must tell them apart"
    for amount in prices:
        assert amount in office and amount in customer
    told = files["quote_customer.csv"].decode("utf-8-sig") + customer
    for amount in costs:
        assert amount in office
        assert not re.search(rf"(?<![\d,.]){re.escape(amount)}(?![\d,.])", told.replace(",", " "))
        assert amount not in customer
    assert not re.search("cost|margin", told, re.I)
    for said in (office, customer):
        assert "VAT 10 %" in said and "skip for the soil" in said and "17 May" in said
        assert "Not included: the lamps spike themselves." in said


@pytest.mark.parametrize("file", ["quote.csv", "quote_customer.csv"])
def test_the_csv_adds_up(file: str) -> None:
    name = next(paper.name for paper in PAPERS if paper.file == file)
    data = make_papers(courtyard(), choose_papers([name]), PaperOptions())[file]
    rows = list(csv.DictReader(io.StringIO(data.decode("utf-8-sig"))))
    sums = {row["item"]: float(row["price"]) for row in rows if row["part"] == "Sums"}
    items = [float(row["price"]) for row in rows if row["part"] != "Sums"]
    assert sums["before tax"] == pytest.approx(sum(items))
    assert sums["total"] == pytest.approx(1.1 * sum(items), abs=0.01)
    assert ("cost" in rows[0]) is (file == "quote.csv")


def test_a_plan_without_rates_has_no_quote_and_says_so_when_asked() -> None:
    plan = courtyard().model_copy(update={"quote": None})
    assert [paper.name for paper in papers_of(plan, [])] == [paper.name for paper in PAPERS if not paper.quotes]
    assert [paper.name for paper in papers_of(courtyard(), [])] == [paper.name for paper in PAPERS]
    with pytest.raises(BadInput) as caught:
        papers_of(plan, ["lists", "quote", "quote-customer"])
    assert [str(problem) for problem in caught.value.problems] == [
        f"--only: found '{name}', and the job of this plan states no rates for a quote\n"
        "    mend: add [quote] to the job (lampspur schema --job lists its keys) and plan it again"
        for name in ("quote", "quote-customer")
    ]
