"""A tank's fitted gas exchange and a changed setting in; the predicted day out."""
