"""A tank's light series and plan in; its light now and day by day out."""
