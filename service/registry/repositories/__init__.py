"""One module for each kind of registry row: values in and out, SQL inside."""
