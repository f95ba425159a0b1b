"""The pages to set a tank up: forms made of the table of fields in, a changed tank out."""
