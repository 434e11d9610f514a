# Outside `all`: what planned crosses can prove, which markers, how many seeds and flowers.
#     snakemake --cores 2 --configfile season/config.yaml plan
from crossproof.planning.wish_list_files import wish_list_digest


rule plan:
    input:
        ancient(PANEL),
        ancient(ingested()),
        records("samples", *MARKERS),
        PLANNED,
    output:
        INDEX.results_of("plan"),
    log:
        ".crossproof/logs/plan.log",
    conda:
        "../envs/crossproof.yaml"
    params:
        digest=INDEX.run_digest,
        wishes=wish_list_digest(SEASON.parent),
    shell:
        'eval "$CROSSPROOF_STEP plan" > {log} 2>&1'
