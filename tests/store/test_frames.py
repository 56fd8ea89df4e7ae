"""What is written from a frame is the engine's; the frame is not."""

import weakref
from pathlib import Path

import polars as pl

from fleetbelt.store import frames
from fleetbelt.store.database import connect, transaction


def test_a_frame_is_let_go_of_while_the_transaction_that_wrote_it_goes_on(
    tmp_path: Path,
):
    with connect(tmp_path / "fleet.duckdb") as connection, transaction(connection):
        frame = pl.DataFrame({"n": [1, 2, 3]})
        held = weakref.ref(frame)
        frames.write(connection, "marts.numbers", frame)
        del frame
        assert held() is None
        assert frames.read(connection, "from marts.numbers")["n"].to_list() == [1, 2, 3]
