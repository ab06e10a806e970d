"""What a reduction may assume about a bench: from its file, qualification, noise and age."""
