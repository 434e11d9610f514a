# Join the files' markers, combine the lines' replicates, estimate run-wide rates (or take them from
# calibration.json), and write the digest of every slice that later jobs depend on.


checkpoint panel:
    input:
        ingested(),
        records("samples", "crosses", *MARKERS),
    output:
        PANEL[0],
        [directory(path) for path in PANEL[1:]],
    log:
        ".crossproof/logs/panel.log",
    conda:
        "../envs/crossproof.yaml"
    threads: threads_of_tables()
    resources:
        mem_mb=lambda wildcards, attempt: 3000 * attempt,
    params:
        digest=INDEX.panel_digest(),
    shell:
        'eval "$CROSSPROOF_STEP panel --threads {threads}" > {log} 2>&1'


# How far the kept estimates are from fresh ones; nothing but the report waits for it.
rule drift:
    input:
        ancient(PANEL),
        ancient(ingested()),
        records("samples", "crosses"),
    output:
        work("drift.json"),
    log:
        ".crossproof/logs/drift.log",
    conda:
        "../envs/crossproof.yaml"
    resources:
        mem_mb=lambda wildcards, attempt: 3000 * attempt,
    params:
        digest=INDEX.panel_digest(),
    shell:
        'eval "$CROSSPROOF_STEP drift" > {log} 2>&1'
