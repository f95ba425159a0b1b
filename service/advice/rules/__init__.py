"""Rules, one module each in a folder by subject: a case in, findings out."""
