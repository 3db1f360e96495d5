"""The spindle ledger: facts about spindles come in, are judged, fall due, and the plant's systems are told.

The story, and where each part of it is:
  an event comes in            api/events.py, read by domain/event/envelope.py
  it is taken in               record.py: lock, identity, judge, write, append, in one transaction
  counters come in bulk        count.py: plain readings set-based, the rest through record.py
  into the ledger              ledger.py: chained hashes, one stream per subject, one order per log
  folded into state            domain/fold.py over domain/work.py and domain/measured.py
  judged by the sheet's rules  domain/verdict.py, domain/recheck.py, domain/health.py
  kept as what now holds       projections.py
  time passes                  sweep.py
  and others are told          domain/announce.py, outbox.py, deliver.py

Read in this order: domain/event/, domain/fold.py, record.py, count.py, app.py. Four rules: the domain is pure; only
record and count write entries; only deliver calls out; only environment reads the environment.
"""
