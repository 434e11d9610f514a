# Join the files' markers, combine the lines' replicates, estimate run-wide rates (or take them from
# calibration.json), and write the digest of every slice that later jobs depend on.


checkpoint panel:
    input:
        ingested(),
    output:
        work("panel/slices.json"),
    log:
        ".crossproof/logs/panel.log",
    params:
        digest=INDEX.panel_digest(),
    resources:
        mem_mb=lambda wildcards, attempt: 3000 * attempt,
    shell:
        "{STEP} panel > {log} 2>&1"
