"""What every output shares: colours, numbers as text, which libraries are there."""
