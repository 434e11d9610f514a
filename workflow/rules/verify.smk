# Evidence on every plant, family by family, and on every plate. Both read the panel as `ancient`: a new panel
# runs a bucket again only when the digest of that bucket's own slice has changed.


rule verify:
    input:
        ancient(PANEL),
        ancient(ingested_of),
    output:
        work("verify/{bucket}.npz"),
    log:
        ".crossproof/logs/verify/{bucket}.log",
    conda:
        "../envs/crossproof.yaml"
    resources:
        mem_mb=lambda wildcards, attempt: 2000 * attempt,
    params:
        digest=lambda wildcards: slice_of("verify", wildcards.bucket),
    shell:
        'eval "$CROSSPROOF_STEP verify --bucket {wildcards.bucket}" > {log} 2>&1'


rule examine:
    input:
        ancient(PANEL),
        ancient(ingested()),
        records("samples", "crosses"),
        verified,
    output:
        work("examine.json"),
    log:
        ".crossproof/logs/examine.log",
    conda:
        "../envs/crossproof.yaml"
    threads: threads_of_examine()
    resources:
        mem_mb=lambda wildcards, attempt: 3000 * attempt,
    params:
        digest=slice_of_season,
    shell:
        'eval "$CROSSPROOF_STEP examine --threads {threads}" > {log} 2>&1'
