"""The world files shipped with the simulators, found by name."""
