"""The errors that Tallywire shows to people.

TallywireError            what, where, how to fix it; printed as one short message, exit code 2
  SiteFileError           the site file, with every problem found in it
  DataFileError           a recorded file that cannot be replayed
  AddressError            a socket that may not or cannot be opened
  StoreError              a history that cannot be used (newer schema, locked, damaged)
  ForbiddenRequestError   a request other than a read was about to leave for the plant; never caught, never retried
"""

from __future__ import annotations


class TallywireError(Exception):
    """One thing that went wrong, told to a person.

    Parameters
    ----------
    what : str
        What is wrong, one sentence without a full stop.
    where : str
        File with line, address, tag or option; empty where there is none.
    fix : str
        What the reader can do about it; empty where nothing can be said.
    """

    def __init__(self, what: str, *, where: str = "", fix: str = "") -> None:
        super().__init__(what)
        self.what, self.where, self.fix = what, where, fix

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        remedy = f"\n  fix: {self.fix}" if self.fix else ""
        return f"{place}{self.what}{remedy}"


class DataFileError(TallywireError):
    """A recorded data file does not keep to its contract."""


class AddressError(TallywireError):
    """An address is refused or cannot be bound."""


class StoreError(TallywireError):
    """The history on disk cannot be used as it is."""


class ForbiddenRequestError(TallywireError):
    """Something other than a read was about to be sent to the plant."""
