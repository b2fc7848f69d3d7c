"""Stand-in for a board's wireless network: the machine's own is there already."""

STA_IF = 0


class WLAN:
    def __init__(self, which):
        pass

    def active(self, on):
        pass

    def connect(self, name, password):
        pass
