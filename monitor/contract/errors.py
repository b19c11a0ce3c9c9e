"""Every error this project raises on purpose.

::

    NiterwatchError
    ├── SettingsError        (ValueError)       a settings file or --set that cannot be used
    │   └── UnitError                           text that is not a quantity of the wanted kind
    ├── EntryRefused         (ValueError)       something entered by hand that cannot be so
    ├── PayloadRefused       (ValueError)       a message that does not fit the contract
    ├── SensorError          (OSError)          a sensor that cannot be found or opened
    │   ├── SensorNotFound
    │   └── SensorAmbiguous                     several fit and the settings name none
    ├── SounderFailed        (OSError)          the sounder or its lamp cannot be driven
    ├── BrokerUnreachable    (ConnectionError)
    ├── AddressInUse         (OSError)          the page's or the broker's port is taken
    ├── StoreError           (OSError)
    │   ├── StoreUnwritable                     read-only file, full disk
    │   │   └── StoreInUse                      another monitor writes to it
    │   └── StoreUnreadable                     not a database, or a damaged one
    ├── InstallationFailed   (OSError)          the services cannot be laid on this board
    ├── CertificateFailed    (OSError)          the page's certificate cannot be made
    ├── ReportFailed         (OSError)          the report cannot be written
    ├── TraceError           (ValueError)       a trace file that cannot be replayed
    ├── RunNotFound          (LookupError)
    ├── IllegalMove          (ValueError)       a phase or alarm move the tables do not list
    └── CommandRefused       (ValueError)       an act that cannot be carried out now

The text of each says what is wrong and what to check, in one line; the command
line prints it as it stands.
"""

from __future__ import annotations


class NiterwatchError(Exception):
    """Root of every error raised on purpose."""


class SettingsError(NiterwatchError, ValueError):
    """A settings file or an override cannot be used."""


class UnitError(SettingsError):
    """A text is not a quantity of the wanted kind."""


class EntryRefused(NiterwatchError, ValueError):
    """Something a person entered cannot be so (90 Brix, a cake thicker than its frame)."""


class PayloadRefused(NiterwatchError, ValueError):
    """A message does not fit the contract; it is counted and changes nothing."""


class SensorError(NiterwatchError, OSError):
    """A sensor cannot be found or opened."""


class SensorNotFound(SensorError):
    """No sensor of this kind answers."""


class SensorAmbiguous(SensorError):
    """Several sensors fit and the settings name none of them."""


class SounderFailed(NiterwatchError, OSError):
    """The sounder or its lamp cannot be driven."""


class BrokerUnreachable(NiterwatchError, ConnectionError):
    """The broker does not answer."""


class AddressInUse(NiterwatchError, OSError):
    """Another program listens on the wanted port."""


class StoreError(NiterwatchError, OSError):
    """The trace store cannot be used."""


class StoreUnwritable(StoreError):
    """The store cannot take rows: read-only, full, or owned by another writer."""


class StoreInUse(StoreUnwritable):
    """Another monitor writes to the store: there is one writer only."""


class StoreUnreadable(StoreError):
    """The store's file is not a database, or a damaged one."""


class InstallationFailed(NiterwatchError, OSError):
    """The services cannot be laid on this board, or not taken away."""


class CertificateFailed(NiterwatchError, OSError):
    """The page's certificate cannot be made."""


class ReportFailed(NiterwatchError, OSError):
    """The report cannot be written."""


class TraceError(NiterwatchError, ValueError):
    """A trace file cannot be replayed."""


class RunNotFound(NiterwatchError, LookupError):
    """No stored run has this name."""


class IllegalMove(NiterwatchError, ValueError):
    """A phase or an alarm was asked for a move that its table does not list."""


class CommandRefused(NiterwatchError, ValueError):
    """An act cannot be carried out now; the text is the reason a person reads."""
