"""What somebody tries in a tank: begun, left alone by advice, judged by the tank's own days."""
