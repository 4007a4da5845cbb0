"""What more than one document says alike."""

from daemon.whereabouts.doubted import doubted
from storage.answers import LatestResult, RunInDoubt
from storage.store import Store


def doubts_on(store: Store, product: str) -> dict[str, tuple[str, ...]]:
    """Return by serial why the bench is in doubt that measured it."""
    return doubted(
        store.rows(LatestResult, product=product),
        store.rows(RunInDoubt, product=product),
    )
