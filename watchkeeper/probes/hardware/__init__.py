"""The host's electronics: memory modules, the PCI Express bus, processors, fans, voltages."""
