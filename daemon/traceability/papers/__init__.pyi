from .every_document import DOCUMENTS as DOCUMENTS, Of as Of
from .recall_letters import notices as notices, report_of_finding as report_of_finding
