"""One revision a file, with its SQL beside it under the same name. A published revision is never edited."""
