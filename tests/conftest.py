"""What several test modules stand on."""

import pytest


@pytest.fixture(scope="module")
def two_workers():
    """A client of two worker processes on this machine, closed to the outside."""
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address="127.0.0.1:0", host="127.0.0.1"
        ) as cluster,
        distributed.Client(cluster) as found,
    ):
        yield found
