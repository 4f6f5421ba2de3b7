"""Second ways to an answer that share no code with ours."""
