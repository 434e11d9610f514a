# From evidence to the tables, the page and the worklist; last of all the gate, which notes what was set aside
# or held after everything else is done, and fails for it only where config.yaml asks for that.


rule verdicts:
    input:
        work("panel/slices.json"),
        ancient(PANEL[1:]),
        verified,
        work("examine.json"),
        ingested(),
        records("samples", "crosses"),
    output:
        captioned(INDEX.results_of("verdicts")),
    log:
        ".crossproof/logs/verdicts.log",
    conda:
        "../envs/crossproof.yaml"
    threads: threads_of_tables()
    resources:
        mem_mb=lambda wildcards, attempt: 2000 * attempt,
    params:
        digest=INDEX.steps["verdicts"],
    shell:
        'eval "$CROSSPROOF_STEP verdicts --threads {threads}" > {log} 2>&1'


rule rates:
    input:
        "results/verdicts.parquet",
        work("examine.json"),
        records("crosses"),
    output:
        captioned(INDEX.results_of("rates")),
    log:
        ".crossproof/logs/rates.log",
    conda:
        "../envs/crossproof.yaml"
    threads: threads_of_tables()
    resources:
        mem_mb=lambda wildcards, attempt: 2000 * attempt,
    params:
        digest=INDEX.steps["rates"],
    shell:
        'eval "$CROSSPROOF_STEP rates --threads {threads}" > {log} 2>&1'


rule report:
    input:
        INDEX.results_of("verdicts"),
        INDEX.results_of("rates"),
        work("drift.json"),
        work("examine.json"),
        ancient(PANEL),
        ancient(ingested()),
        records("samples", "crosses"),
    output:
        captioned(INDEX.results_of("report")),
    log:
        ".crossproof/logs/report.log",
    conda:
        "../envs/crossproof.yaml"
    threads: threads_of_report()
    resources:
        mem_mb=lambda wildcards, attempt: 3000 * attempt,
    params:
        digest=INDEX.steps["report"],
    shell:
        'eval "$CROSSPROOF_STEP report --threads {threads}" > {log} 2>&1'


rule gate:
    input:
        RESULTS,
        ingested(),
        work("examine.json"),
    output:
        work("gate.json"),
    log:
        ".crossproof/logs/gate.log",
    conda:
        "../envs/crossproof.yaml"
    params:
        digest=INDEX.run_digest,
    shell:
        'eval "$CROSSPROOF_STEP gate" > {log} 2>&1'
