"""What each command of `linklag` does, apart from its options and help, which stand in `service.main`."""


class CommandError(Exception):
    """A command cannot be done. The message says what to do; it is told without a traceback, exit code 1."""
