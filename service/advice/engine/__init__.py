"""A tank's view in; open recommendations with a history, and change events, out."""
