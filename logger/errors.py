"""What can go wrong with the log; each message is one line that says what to do."""


class LogError(Exception):
    """The log could not do what was asked."""


class LogInUse(LogError):
    """Another daemon is writing this log."""


class NotALog(LogError):
    """The file is no linktrial log."""


class DamagedLog(LogError):
    """The file is a linktrial log, and parts of it make no sense."""


class LogBusy(LogError):
    """Another program is writing the log, for longer than one waits."""


class NewerLog(LogError):
    """The log was written by a newer linktrial."""


class LogFull(LogError):
    """There is no room on the disk, or it cannot be written."""


class TagError(LogError):
    """A tag that cannot be: an unknown version, a time before the log began, an impossible setting."""


class SettingsError(LogError):
    """The settings file has an unknown key or an impossible value."""


class ImportRefused(LogError):
    """A file to import has bad rows; nothing of it was taken."""


class MergeRefused(LogError):
    """Another machine's log cannot be merged: it is none, or holds what cannot be."""
