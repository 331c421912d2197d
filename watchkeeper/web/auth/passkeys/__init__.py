"""Passkeys: signing in without a password (WebAuthn Level 2, W3C 2021)."""
