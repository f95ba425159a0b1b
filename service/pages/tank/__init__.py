"""Parts of the page of one tank: what is known of it in, values for the templates out."""
