from .cusum import CusumChart as CusumChart
from .ewma import EwmaChart as EwmaChart
from .individuals import IndividualsChart as IndividualsChart
from .within_reels import ReelChart as ReelChart, ReelLimits as ReelLimits
