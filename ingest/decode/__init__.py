"""A message in; samples with quantity, unit and time, or a reason for refusal, out."""
