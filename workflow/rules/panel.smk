# Join the files' markers, combine the lines' replicates, estimate run-wide rates (or take them from
# calibration.json), and write the digest of every slice that later jobs depend on.


checkpoint panel:
    input:
        ingested(),
    output:
        work("panel/slices.json"),
    log:
        ".crossproof/logs/panel.log",
    conda:
        "../envs/crossproof.yaml"
    resources:
        mem_mb=lambda wildcards, attempt: 3000 * attempt,
    params:
        digest=INDEX.panel_digest(),
    shell:
        "$CROSSPROOF_STEP panel > {log} 2>&1"


# How far the kept estimates are from fresh ones; nothing but the report waits for it.
rule drift:
    input:
        ancient(work("panel/slices.json")),
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
        "$CROSSPROOF_STEP drift > {log} 2>&1"
