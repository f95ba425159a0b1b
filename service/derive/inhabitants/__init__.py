"""A tank's animals and plants in; what they tolerate, want and have grown to out."""
