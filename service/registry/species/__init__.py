"""Species in, what they tolerate alone and together out."""
