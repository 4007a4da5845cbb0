from .acknowledging import noted as noted, state as state
from .by_the_clock import EVERY_S as EVERY_S, Upkeep as Upkeep, show_alive as show_alive
from .channels import AppriseChannel as AppriseChannel
from .errors import (
    AlertError as AlertError,
    UnknownMessageError as UnknownMessageError,
    UnknownTargetError as UnknownTargetError,
)
from .from_findings import Teller as Teller
from .sender import Sender as Sender
from .who_hears import (
    Message as Message,
    of_bad_again as of_bad_again,
    of_rejudged as of_rejudged,
    of_test as of_test,
)
