"""Documents: what was measured, decided and asked for, on paper and in a mail."""
