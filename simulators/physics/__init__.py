"""Radio-frequency physics of the virtual bench: pure mathematics, no input or output."""
