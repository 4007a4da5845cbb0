"""The pages of gauge studies, budgets and several standards, over a served home."""

import json
from datetime import UTC, datetime, timedelta

import pytest
import streamlit as st

from config import Influences, KnownStandard, Settings
from daemon.judging import Gauge
from daemon.service.home import Home
from storage import (
    GaugeReading,
    GaugeStudy,
    Run,
    StandardCheck,
    StandardValue,
    open_store,
)
from tests.dashboard.test_pages import opened, said


def test_a_study_is_planned_and_read_on_the_page(own: Home) -> None:
    app = opened("gauge")
    assert "How far do people and bench agree?" in said(app)
    app.selectbox(key="who decides").select("Ada Moreno")
    app.text_input(key="gauge name").set_value("G-7")
    app.text_area(key="gauge parts").set_value("PA-1001\nPA-1002")
    app.text_area(key="gauge people").set_value("Ada\nBea")
    app.number_input(key="gauge trials crossed").set_value(2)
    app.button(key="gauge plan").click().run()
    assert "Reading 1 of 8:" in said(app)
    with open_store(own.data) as store:
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
    with open_store(own.data) as store:
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


@pytest.mark.usefixtures("held")
def test_what_acts_beside_the_meters_stands_in_the_budget_on_the_page(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """300 pA are 333 ppm of 0.9 uA, more than the ammeter is allowed there."""
    real = Settings.model_validate_json

    def leaking(body: str) -> Settings:
        told = real(body)
        assert told.bench is not None
        acts = Influences(leakage_a=3e-10, thermal_v=1e-6)
        bench = told.bench.model_copy(update={"influences": acts})
        return told.model_copy(update={"bench": bench})

    assert "leakage" not in said(opened("budget"))
    monkeypatch.setattr(Settings, "model_validate_json", leaking)
    st.cache_resource.clear()
    app = opened("budget")
    assert "Most of it is reference: leakage" in said(app)
    table = app.table[0].value
    quantities = table[table.columns[0]].tolist()
    assert quantities[0] == "reference: leakage"
    assert "output: thermal voltage" in quantities


FURTHER = KnownStandard(serial="CS-2", error_ppm={"10uA": 110.0}, uncertainty_ppm=20.0)


@pytest.mark.usefixtures("changed")
def test_several_standards_are_told_apart_on_their_page(
    changed: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "Several standards" not in said(opened("standard"))
    real = Settings.model_validate_json

    def with_another(body: str) -> Settings:
        told = real(body)
        assert told.bench is not None
        bench = told.bench.model_copy(update={"further_standards": (FURTHER,)})
        return told.model_copy(update={"bench": bench})

    monkeypatch.setattr(Settings, "model_validate_json", with_another)
    st.cache_resource.clear()
    assert "They have not been run beside one another yet." in said(opened("standard"))
    with open_store(changed.data) as store:
        for place, one in enumerate(store.rows(Run)[:2]):
            for serial, known in (("CS-1", -80.0), ("CS-2", 110.0)):
                moved = 400.0 * place if serial == "CS-2" else 0.0
                store.keep(
                    StandardCheck(
                        check_run=one.run, serial=serial, range="10uA",
                        product="photodiode-amplifier", session=one.session,
                        error_ppm=known + moved, uncertainty_ppm=60.0,
                        own_uncertainty_ppm=5.0, known_ppm=known,
                        known_uncertainty_ppm=20.0,
                        measured_at=datetime.now(UTC) + timedelta(hours=place),
                    )
                )  # fmt: skip
    st.cache_resource.clear()  # what was just shown is shown for a moment longer
    app = opened("standard")
    words = said(app)
    assert (
        "Check standard CS-2 has moved on 10 µA, not the bench: CS-1 reads right."
        in words
    )
    # By hand: 2 hypot(60, 20) = 126.5 ppm may be.
    assert "+0.040 %" in words
    assert "±0.0126 %" in words


def test_a_named_person_assigns_other_values_on_the_page(changed: Home) -> None:
    app = opened("standard")
    assert "Values in force" in said(app)
    app.text_input(key="known 10uA CS-1 0").set_value("-60 ppm")
    app.button(key="assign 0").click().run()
    assert "Choose who decides first." in said(app)
    app.selectbox(key="who decides").select("Ada Moreno")
    app.button(key="assign 0").click().run()
    assert "with a reason; none was given" in said(app)
    app.text_input(key="reason 0").set_value("calibrated anew")
    app.button(key="assign 0").click().run()
    words = said(app)
    assert "CS-1 has other values from now on, assigned by Ada Moreno." in words
    with open_store(changed.data) as store:
        (row,) = store.rows(StandardValue)
    assert (json.loads(row.error_ppm)["10uA"], row.reason) == (-60, "calibrated anew")
    st.cache_resource.clear()  # what was just shown is shown for a moment longer
    assert "Assigned anew" in said(opened("standard"))
