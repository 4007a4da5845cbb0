from . import bundle as bundle, moved as moved
from .bundle import BundleError as BundleError, Contents as Contents
from .client import Client as Client, RefusedOrderError as RefusedOrderError
from .doctor import Look as Look, State as State, looks as looks
from .hands import (
    Hands as Hands,
    HandsError as HandsError,
    hands_of as hands_of,
    note_planted as note_planted,
    plant_again as plant_again,
)
from .home import VARIABLE as VARIABLE, Home as Home
from .processes import (
    CODE as CODE,
    Network as Network,
    StartError as StartError,
    answers as answers,
    child as child,
    claimed as claimed,
    dashboard_command as dashboard_command,
    end as end,
    environment as environment,
    make_way as make_way,
    new_code as new_code,
    run_beside as run_beside,
    running_daemon as running_daemon,
    shared_daemon as shared_daemon,
    simulated_bench as simulated_bench,
)
from .safe_off import can_say_off as can_say_off, source_off as source_off
from .wiring import run as run
