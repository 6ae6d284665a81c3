"""Errors a person can act on.

UserError              what, where, accepted range, next step; exit code 2, never a traceback
└── SettingsError      the same, for the configuration
"""


class UserError(Exception):
    """A mistake of the person or their machine that one line of text can explain."""

    exit_code = 2


class SettingsError(UserError):
    """A configuration that cannot be used."""


_CONTROLS = {code: f"\\x{code:02x}" for code in (*range(0x20), *range(0x7F, 0xA0)) if chr(code) not in "\t\n"}


def printable(text: str) -> str:
    """`text` for a terminal: names in a stranger's file must not command it (ECMA-48, control functions)."""
    return text.translate(_CONTROLS)
