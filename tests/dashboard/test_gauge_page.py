"""The pages of gauge studies and budgets, over a served home."""

from datetime import UTC, datetime

import pytest

from daemon.judging import Gauge
from daemon.service.home import Home
from storage import GaugeReading, GaugeStudy, open_store
from tests.dashboard.test_pages import opened, said


@pytest.mark.usefixtures("changed")
def test_a_study_is_planned_and_read_on_the_page(changed: Home) -> None:
    app = opened("gauge")
    assert "How far do people and bench agree?" in said(app)
    app.selectbox(key="who decides").select("Ada Moreno")
    app.text_input(key="gauge name").set_value("G-7")
    app.text_area(key="gauge parts").set_value("PA-1001\nPA-1002")
    app.text_area(key="gauge people").set_value("Ada\nBea")
    app.number_input(key="gauge trials crossed").set_value(2)
    app.button(key="gauge plan").click().run()
    assert "Reading 1 of 8:" in said(app)
    with open_store(changed.data) as store:
        (study,) = store.rows(GaugeStudy)
        cells = Gauge.of(study, ()).cells
    app.text_input(key="gauge G-7 0").set_value("high").run()
    assert "must be a number, in ppm" in said(app)
    for place, cell in enumerate(cells):
        base = {"PA-1001": 10.0, "PA-1002": 50.0}[cell.part]
        value = base + 0.1 * ((place * 7) % 5)
        app.text_input(key=f"gauge G-7 {place}").set_value(str(value)).run()
    assert "Gauge study G-7 is complete." in said(app)
    assert "categories of parts" in said(app)
    with open_store(changed.data) as store:
        readings = store.rows(GaugeReading, gauge_study="G-7")
    assert [one.person for one in readings] == [one.appraiser for one in cells]


@pytest.mark.usefixtures("changed")
def test_a_reference_is_read_on_the_page_until_its_bias_is_known(changed: Home) -> None:
    app = opened("gauge")
    app.selectbox(key="who decides").select("Ada Moreno")
    app.text_input(key="gauge name").set_value("G-8")
    app.selectbox(key="gauge kind").select("bias").run()
    app.selectbox(key="gauge range").select("V")
    app.text_input(key="gauge person").set_value("Ada")
    app.number_input(key="gauge trials bias").set_value(10)
    app.text_area(key="gauge references").set_value("REF-1 = 900 mV")
    app.button(key="gauge plan").click().run()
    assert "Reading 1 of 10: Ada reads REF-1, trial 1." in said(app)
    with open_store(changed.data) as store:
        store.keep(
            *(
                GaugeReading(
                    gauge_study="G-8", place=place, value=0.9 + 0.001 * (place % 3),
                    run=None, person="Ada", read_at=datetime.now(UTC),
                )
                for place in range(1, 10)
            )
        )  # fmt: skip
    app.text_input(key="gauge G-8 0").set_value("902 mV").run()
    words = said(app)
    assert "Gauge study G-8 is complete." in words
    assert "from the reference: that is no chance." in words
    with open_store(changed.data) as store:
        assert len(store.rows(GaugeReading, gauge_study="G-8")) == 10


@pytest.mark.usefixtures("held")
def test_the_budget_of_the_hardest_range_is_shown_first() -> None:
    app = opened("budget")
    words = said(app)
    assert "How sure is a verdict?" in words
    assert "Range 1 µA at 90 % of full scale: U = " in words
    assert "Most of it is reference: specification" in words
    app.selectbox[0].select("1 mA").run()
    assert "Range 1 mA at" in said(app)
