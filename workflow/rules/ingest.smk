# A large file with an index is read by region in several jobs.
#
# Read genotype files strictly, one cache entry per file. A file that cannot be trusted is set aside with its
# reasons in the output; the job itself succeeds, so that the other files go on.


rule part:
    input:
        ancient(file_in_parts),
    output:
        work("parts/{digest}/{part}.json"),
    log:
        ".crossproof/logs/parts/{digest}-{part}.log",
    conda:
        "../envs/crossproof.yaml"
    resources:
        mem_mb=lambda wildcards, attempt: 1500 * attempt,
    shell:
        'eval "$CROSSPROOF_STEP part --file {wildcards.digest} --part {wildcards.part}" > {log} 2>&1'


rule ingest:
    input:
        ancient(genotypes_of),
        ancient(parts_of),
        records("samples", *MARKERS),
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
        'eval "$CROSSPROOF_STEP ingest --bucket {wildcards.bucket}" > {log} 2>&1'
