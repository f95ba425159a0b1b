"""Series and intervals in; points and strips for the drawings of a page out."""
