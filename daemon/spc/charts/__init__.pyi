from .individuals import IndividualsChart as IndividualsChart
from .within_reels import ReelChart as ReelChart, ReelLimits as ReelLimits
