# crossproof: from genotype calls and crossing records to verdicts.
# Everything is in workflow/; this file only makes `snakemake` work from the project's root:
#     snakemake --cores 2 --configfile demo_genotypes/config.yaml


include: "workflow/Snakefile"


rule default:
    default_target: True
    input:
        rules.all.input,
