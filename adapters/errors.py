"""What can go wrong with reading the machine; each message is one line that says what to do."""


class AdapterError(Exception):
    """The machine could not be read; the message is one line that says what to do."""


class NoWirelessInterface(AdapterError):
    """There is no wireless interface, or none of the name asked for."""


class InterfaceGone(AdapterError):
    """The interface was there and has vanished (card unplugged, driver unloaded)."""


class NotPermitted(AdapterError):
    """The system refuses the reading to this user."""
