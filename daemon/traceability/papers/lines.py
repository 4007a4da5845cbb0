"""What more than one document says alike."""

from daemon.holds import doubted
from storage import LatestResult, RunInDoubt, Store


def doubts_on(store: Store, product: str) -> dict[str, tuple[str, ...]]:
    """Return by serial why the bench is in doubt that measured it."""
    return doubted(
        store.rows(LatestResult, product=product),
        store.rows(RunInDoubt, product=product),
    )
