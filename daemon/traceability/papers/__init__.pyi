from . import recall_letters as recall_letters
from .build import build_release as build_release, build_sheet as build_sheet
from .letters import (
    customer_notice as customer_notice,
    supplier_report as supplier_report,
)
from .recall_letters import notices as notices, report_of_finding as report_of_finding
from .unit import unit_record as unit_record
