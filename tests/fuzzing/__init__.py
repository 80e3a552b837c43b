"""Finding what breaks by machine: a campaign makes hostile cases by seed and says what must hold.

`campaign.py` says what a campaign is, `run.py` runs them (``make fuzz``), `minimise.py` makes what
was found small. A campaign is a module of this folder whose name ends in ``_campaign`` and which
has a `CAMPAIGN`. What was found once and mended stays under `kept/`: ``make test`` tries it again.
"""
