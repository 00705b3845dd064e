"""Guided tests: a state machine on the samples says what the person at the bench is to do next."""
