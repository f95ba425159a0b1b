"""The log form: fields of the field table in, the form as a page shows it out."""
