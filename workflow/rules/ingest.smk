# Read genotype files strictly, one cache entry per file. A file that cannot be trusted is set aside with its
# reasons in the output; the job itself succeeds, so that the other files go on.


rule ingest:
    input:
        ancient(genotypes_of),
    output:
        work("ingest/{bucket}.json"),
    log:
        ".crossproof/logs/ingest/{bucket}.log",
    conda:
        "../envs/crossproof.yaml"
    resources:
        mem_mb=lambda wildcards, attempt: 1500 * attempt,
    params:
        digest=lambda wildcards: INDEX.ingest_digest(int(wildcards.bucket)),
    shell:
        "$CROSSPROOF_STEP ingest --bucket {wildcards.bucket} > {log} 2>&1"
