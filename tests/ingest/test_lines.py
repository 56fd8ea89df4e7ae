"""A refused row is named by the line an editor shows it on."""

import numpy as np

from tests.ingest.folders import HEADINGS, folder, rows, service, taken_in

BAD = {
    "not_a_number": lambda key: service(key, odometer_mi="12x").encode(),
    "missing_value": lambda key: service(key, action="").encode(),
    "unknown_word": lambda key: service(key, action="polish").encode(),
    "not_a_date": lambda key: service(key, date="2021-02-30").encode(),
    "wrong_width": lambda key: f"{key},2021-01-01\n".encode(),
    "stray_quote": lambda key: service(key, shop='"a"b').encode(),
    "open_quote": lambda key: service(key, shop='"North').encode(),
    "nul_byte": lambda key: service(key, shop="a\0b").encode(),
    "undecodable": lambda key: service(key, shop="Ä").encode() + b"\xff\n",
}


def test_every_planted_error_is_found_on_its_line_and_no_other(database, tmp_path):
    """2,000 errors among quoted newlines, blank lines and blanks about cells."""
    rng = np.random.default_rng(8)
    kinds = sorted(BAD)
    text, line, planted = [f"{HEADINGS}\n".encode()], 2, {}
    for n in range(6000):
        good = rng.choice(
            [
                service(f"A{n}"),
                service(f"A{n}", shop='"North\n\nshop, ""old"""'),
                "\n \n" + service(f"A{n}", shop='  "N\nSüd"  '),
            ]
        )
        text.append(str(good).encode())
        line += str(good).count("\n")
        if n % 3 == 0:
            kind = kinds[rng.integers(len(kinds))]
            bad = BAD[kind](f"B{n}")
            planted[line] = kind
            if kind == "undecodable":
                bad = bad.replace(b"\n", b"", 1)
            text.append(bad)
            line += 1

    taken_in(
        database,
        folder(tmp_path / "a", services=b"".join(text)),
        accept_refusals=True,
    )

    found = rows(database, "select line, reason from typed.refusals")
    assert dict(found) == planted
    assert rows(database, "select count(*) from typed.services") == [(6000,)]
