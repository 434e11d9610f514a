# From evidence to the tables, the page and the worklist; last of all the gate, which fails when a file or
# plate was set aside or held, after everything else is done.


rule verdicts:
    input:
        panel=work("panel/slices.json"),
        evidence=verified,
        plates=work("examine.json"),
        ingest=ingested(),
    output:
        captioned(INDEX.results_of("verdicts")),
    log:
        ".crossproof/logs/verdicts.log",
    conda:
        "../envs/crossproof.yaml"
    resources:
        mem_mb=lambda wildcards, attempt: 2000 * attempt,
    params:
        digest=INDEX.steps["verdicts"],
    shell:
        "$CROSSPROOF_STEP verdicts > {log} 2>&1"


rule rates:
    input:
        "results/verdicts.parquet",
    output:
        captioned(INDEX.results_of("rates")),
    log:
        ".crossproof/logs/rates.log",
    conda:
        "../envs/crossproof.yaml"
    resources:
        mem_mb=lambda wildcards, attempt: 2000 * attempt,
    params:
        digest=INDEX.steps["rates"],
    shell:
        "$CROSSPROOF_STEP rates > {log} 2>&1"


rule report:
    input:
        INDEX.results_of("verdicts"),
        INDEX.results_of("rates"),
        work("drift.json"),
    output:
        captioned(INDEX.results_of("report")),
    log:
        ".crossproof/logs/report.log",
    conda:
        "../envs/crossproof.yaml"
    resources:
        mem_mb=lambda wildcards, attempt: 3000 * attempt,
    params:
        digest=INDEX.steps["report"],
    shell:
        "$CROSSPROOF_STEP report > {log} 2>&1"


rule gate:
    input:
        RESULTS,
        ingested(),
    output:
        work("gate.json"),
    log:
        ".crossproof/logs/gate.log",
    conda:
        "../envs/crossproof.yaml"
    params:
        digest=INDEX.run_digest,
    shell:
        "$CROSSPROOF_STEP gate > {log} 2>&1"
