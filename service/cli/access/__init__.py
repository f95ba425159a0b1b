"""Commands on who may do what: tokens, sessions, sharing links, the pages' key, the audit."""
