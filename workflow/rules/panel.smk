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
