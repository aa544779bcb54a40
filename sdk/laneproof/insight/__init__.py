"""From numbers to an answer: so far, the report."""
