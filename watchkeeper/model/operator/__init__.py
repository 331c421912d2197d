"""Values about what the operator asks and plans: why something was sent, maintenance, simulated alerts."""
