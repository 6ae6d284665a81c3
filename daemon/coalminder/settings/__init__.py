"""The configuration: one TOML file, environment variables over it, systemd credentials for passwords.

`load_settings(path)` is the only way in; every mistake becomes a SettingsError of one line that says what,
where, what is accepted and what to do.
"""

from coalminder.settings.load import load_settings
from coalminder.settings.model import Settings

__all__ = ["Settings", "load_settings"]
