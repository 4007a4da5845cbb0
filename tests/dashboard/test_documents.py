"""Documents that screens offer: made on click, said in a sentence when they are not."""

import io
import zipfile

import pytest

from daemon.service.home import Home
from daemon.traceability.papers import DOCUMENTS, Of
from dashboard import data, documents
from dashboard.documents import Paper, UndoneError, made
from tests.daemon.seeded import BAD_REEL
from tests.dashboard.test_pages import opened, scan

SUBJECTS = {
    Of.UNIT: "PA-3007", Of.BUILD: "B-3", Of.FINDING: "B-3-F1", Of.CONTAINMENT: "B-3-F1",
}  # fmt: skip


@pytest.mark.usefixtures("held")
@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_document_that_is_declared_is_made_on_click(name: str) -> None:
    declared = DOCUMENTS[name]
    paper = documents.named(name, SUBJECTS[declared.of])
    offered = documents.every(declared.of, SUBJECTS[declared.of])
    assert paper.file in [one.file for one in offered]
    begins = b"PK" if declared.many else b"%PDF-"
    assert made(paper, data.Remarks()).startswith(begins)


@pytest.mark.usefixtures("held")
def test_the_lists_of_a_containment_are_made_on_click() -> None:
    for one in documents.lists("B-3-F1"):
        assert made(one, data.Remarks())
    letters = made(documents.named("customers", "B-3-F1"), data.Remarks())
    with zipfile.ZipFile(io.BytesIO(letters)) as file:
        assert file.testzip() is None


@pytest.mark.usefixtures("held")
@pytest.mark.parametrize(
    ("paper", "why"),
    [
        (documents.named("unit", "PA-0000"), "unknown unit 'PA-0000'"),
        (documents.named("supplier", "B-9-F9"), "finding 'B-9-F9'"),
        (documents.named("customers", "B-9-F9"), "'B-9-F9'"),
    ],
    ids=lambda one: getattr(one, "file", ""),
)
def test_what_cannot_be_made_is_said_in_one_sentence(paper: Paper, why: str) -> None:
    remarks = data.Remarks()
    with pytest.raises(UndoneError):
        made(paper, remarks)
    assert remarks.last is not None
    assert f"Document {paper.file} was not made: " in remarks.last
    assert why in remarks.last
    assert remarks.last.count("\n") == 0


def test_without_a_daemon_no_document_is_made_and_the_page_says_so(
    quiet_home: Home, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOLDPOINT_HOME", str(quiet_home.folder))
    remarks = data.Remarks()
    with pytest.raises(UndoneError):
        made(documents.named("build", "B-3"), remarks)
    assert remarks.last is not None


@pytest.mark.usefixtures("held")
@pytest.mark.parametrize(
    ("page", "subject", "labels"),
    [
        ("units", "PA-3007", ["Test record", "Customer's notice and card"]),
        ("units", "B-3", ["Release record", "Sheet for the bench"]),
        ("units", BAD_REEL, ["Report to the supplier"]),
        ("units", "K-101", []),
        ("holds", None, ["Release record", "Report to the supplier"]),
    ],
)
def test_documents_are_offered_where_the_thing_is_shown(
    page: str, subject: str | None, labels: list[str]
) -> None:
    app = opened(page)
    if subject is not None:
        app = scan(app, subject)
    shown = [one.proto.label for one in app.get("download_button")]
    assert set(labels) <= set(shown)
    assert bool(labels) is bool(set(shown) - {"CSV", "SVG"})
