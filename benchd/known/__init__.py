"""What a reduction may take for known of a bench: from its file, its qualification, noise, age."""
