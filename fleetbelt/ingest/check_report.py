"""What a check has to say about a folder, as values and in words."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from fleetbelt.errors import InputError
from fleetbelt.ingest.accounts import Account
from fleetbelt.ingest.ledger import Understood
from fleetbelt.ingest.suggestions import Suggestion


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Rows of one file refused for one set of reasons, and the first of them."""

    reason: str
    column: str
    n: int
    line: int
    raw: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FileCheck:
    """How one file would be taken in.

    Attributes
    ----------
    file, table_name : str
        The file and the table it feeds.
    problem : InputError or None
        Why the whole file would be refused.
    understood : Understood or None
        How its cells were read.
    account : Account or None
        What would become of its rows.
    refusals : tuple of Refusal
        Refused rows by reason, the commonest first.
    first_rows : tuple of dict
        The first rows as they would load: column to value, empty cells left out.
    suggestion : Suggestion
        What the settings might say about it.
    """

    file: str
    table_name: str
    problem: InputError | None = None
    understood: Understood | None = None
    account: Account | None = None
    refusals: tuple[Refusal, ...] = ()
    first_rows: tuple[dict[str, Any], ...] = ()
    suggestion: Suggestion = field(default_factory=Suggestion)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckReport:
    """How a data folder would be taken in."""

    files: tuple[FileCheck, ...]
    ignored_files: tuple[str, ...]
    missing_tables: tuple[str, ...]

    def text(self) -> str:
        """Return the report in words, file by file."""
        lines = [line for file in self.files for line in _file_lines(file)]
        if self.missing_tables:
            lines.append(f"missing: {', '.join(self.missing_tables)}")
        if self.ignored_files:
            lines.append(f"ignored: {', '.join(self.ignored_files)}")
        return "\n".join(lines)


def _file_lines(file: FileCheck) -> Iterator[str]:
    yield f"{file.file}: {file.table_name}"
    if file.problem:
        yield f"  cannot be taken in: {file.problem.what}"
        yield f"  where: {file.problem.where}"
        yield f"  fix: {file.problem.fix}"
    if file.understood:
        yield f"  read as: {file.understood.sentence()}"
    if file.account:
        account = file.account
        yield (
            f"  rows: {account.rows_read:,} read, {account.rows_loaded:,} would load, "
            f"{account.rows_quarantined:,} refused, {account.rows_duplicate:,} known"
        )
    for refusal in file.refusals:
        column = f" in {refusal.column}" if refusal.column else ""
        yield f"  refused: {refusal.n:,} for {refusal.reason}{column}"
        yield f"    first in line {refusal.line}: {refusal.raw[:200]}"
    for row in file.first_rows:
        cells = ", ".join(f"{key} {value}" for key, value in row.items())
        yield f"  would load: {cells}"
    for theirs, ours in file.suggestion.headings.items():
        guess = f"perhaps {ours}" if ours else "no column is near"
        yield f"  kept aside: heading '{theirs}', {guess}"
