# Outside `all`: what planned crosses can prove, which markers, how many seeds and flowers.
#     snakemake --cores 2 --configfile season/config.yaml plan


rule plan:
    input:
        ancient(work("panel/slices.json")),
        PLANNED,
    output:
        INDEX.results_of("plan"),
    log:
        ".crossproof/logs/plan.log",
    conda:
        "../envs/crossproof.yaml"
    params:
        digest=INDEX.run_digest,
    shell:
        "$CROSSPROOF_STEP plan > {log} 2>&1"
