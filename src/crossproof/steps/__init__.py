"""What each rule of the workflow calls: read what earlier steps left, call the package, write.

    part       one region of a large indexed genotype file -> candidates for the marker choice
    ingest     genotype files of one bucket -> stored calls
    panel      stored calls -> joined markers, lines, run-wide rates, digest of every bucket
    drift      how far the kept run-wide rates are from fresh ones
    verify     one bucket's crosses -> evidence on their plants
    examine    one bucket's plates -> findings
    verdicts   evidence and findings -> verdicts and the tables of plates, samples, markers, lines
    rates      verdicts and records -> crosses, operators, factors
    report     all tables -> page, worklist, labels, run.json
    gate       how the run ended

`python -m crossproof.steps STEP [--bucket N]` runs one of them in the season folder.
"""
