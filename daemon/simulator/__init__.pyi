from .circuit import Board as Board
from .direct import DirectBench as DirectBench
from .faults import IN_A_METER as IN_A_METER, Fault as Fault, FaultKind as FaultKind
from .rig import STOPS_S as STOPS_S, BenchNature as BenchNature, Rig as Rig
from .scenario import Scenario as Scenario, story as story
