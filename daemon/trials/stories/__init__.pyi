from . import recall as recall
from .demo import lay_out as lay_out, report as report, running as running
