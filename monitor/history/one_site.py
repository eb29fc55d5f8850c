"""One site of a centre, read as if it were alone: its own history's reader over views that show its rows only."""

from sqlalchemy import make_url

from monitor.history.engine import limits
from monitor.history.store import Store


def one_site(url: str, source: int) -> Store:
    """The history of a source, read-only; raises NotKept."""
    options = f"-c search_path=one_site -c farpole.source={source:d} -c default_transaction_read_only=on {limits()}"
    return Store(make_url(url).update_query_dict({"options": options}).render_as_string(hide_password=False), True)
