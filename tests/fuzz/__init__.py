"""Broken, foreign and made-up input: refused with sense, read without loss, in little memory."""
