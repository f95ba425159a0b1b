"""Rules on what wears, clogs, grows and runs out."""
