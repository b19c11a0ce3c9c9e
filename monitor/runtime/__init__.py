"""What every service stands on: settings, the one clock, the broker, the watchdog.

Hardware, monitor and web all import it. May import ``contract`` and ``rules``. Start at
:mod:`monitor.runtime.settings`.
"""
