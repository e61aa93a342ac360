"""The one place that wires: studio, plugins, intake, ledger and attempts into a daemon, or into one run of the command line."""
