from .individuals import IndividualsChart as IndividualsChart
from .reels import ReelChart as ReelChart, ReelLimits as ReelLimits
