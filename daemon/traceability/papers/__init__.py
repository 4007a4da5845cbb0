"""What documents say, gathered from the Store; reports give it a form."""

from daemon.traceability.papers.build import build_release, build_sheet
from daemon.traceability.papers.letters import customer_notice, supplier_report
from daemon.traceability.papers.unit import unit_record

__all__ = [
    "build_release",
    "build_sheet",
    "customer_notice",
    "supplier_report",
    "unit_record",
]
