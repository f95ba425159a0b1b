"""An absence in; the sheet for the colleague and the report on return out."""
