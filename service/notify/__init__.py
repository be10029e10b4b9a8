"""Telling webhooks what happened: which targets may be reached, signing, sending."""
