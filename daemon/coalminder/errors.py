"""Errors a person can act on.

UserError              what, where, accepted range, next step; exit code 2, never a traceback
└── SettingsError      the same, for the configuration
"""


class UserError(Exception):
    """A mistake of the person or their machine that one line of text can explain."""

    exit_code = 2


class SettingsError(UserError):
    """A configuration that cannot be used."""
