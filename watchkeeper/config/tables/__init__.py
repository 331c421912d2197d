"""Tables of the configuration that are neither probes nor notifiers."""
