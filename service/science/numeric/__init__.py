"""Arrays of numbers in, arrays out: argument checks, blocks, intervals of time, estimates."""
