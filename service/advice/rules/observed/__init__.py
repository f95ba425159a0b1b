"""Rules on what people saw: observations on a scale in, findings out."""
