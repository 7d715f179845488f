"""What each release wrote, kept for ever: every later release must read it and find the same facts in it.

One folder for each version, written once by ``python -m tests.golden`` and never again:

- `entries.jsonl`   cases of bedside entries, each beginning with its opening
- `bundles/`        the same cases, and one that another system wrote, each as a transaction Bundle, packed
- `record.db.gz`    the record they were kept in
- `facts.json`      for each episode and moment, what its state said
"""
