"""What a load and a check have to say, as frozen values."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class FileReport:
    """One file's account: read = loaded + quarantined + duplicate, always.

    Attributes
    ----------
    file : str
        Name, relative to the data folder.
    table_name : str
        The table it feeds.
    rows_read, rows_loaded, rows_quarantined, rows_duplicate : int
        A file already known loads nothing: all its rows are duplicates.
    is_known : bool
        Its content was taken in before.
    unknown_columns : tuple of str
        Headings kept aside.
    rows_left_out : int
        Rows of files taken in under this name before that stand and are not in it.
    """

    file: str
    table_name: str
    rows_read: int
    rows_loaded: int
    rows_quarantined: int
    rows_duplicate: int
    is_known: bool = False
    unknown_columns: tuple[str, ...] = ()
    rows_left_out: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadReport:
    """What one load did, file by file, in the order of their names."""

    files: tuple[FileReport, ...]
    ignored_files: tuple[str, ...]
    load_id: int | None  # None: nothing was new
    read_anew: tuple[str, ...] = ()  # known, and the settings now say otherwise

    def sentence(self) -> str:
        """Return the whole load in one line of words."""
        loaded = sum(file.rows_loaded for file in self.files)
        refused = sum(file.rows_quarantined for file in self.files)
        known = sum(file.rows_duplicate for file in self.files)
        return (
            f"{loaded:,} rows of {len(self.files)} files, "
            f"{refused:,} refused, {known:,} already known"
        )
