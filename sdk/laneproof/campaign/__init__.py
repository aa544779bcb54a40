"""Runs a plan over endpoints: what to do (plan, steps), doing it (runner), what came of it (results, ledger)."""
