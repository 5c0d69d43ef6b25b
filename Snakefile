# From raw dumps to a judged dataset. Runs the demo as it stands; another study with
#   snakemake --cores all --config study=FOLDER out=RESULTS
# Dumps and layouts come in through `convert`, which runs again when their sizes, times or hashes change; what
# people and programs use goes out through `judge` and `overview`. A session that cannot be read
# passes through all steps and ends as `unreadable`. How many recordings a session has, and whether it has
# events, is known only when it is converted: their further files stand beside those that rules name.
from pathlib import Path

from snakemake.exceptions import WorkflowError

from pipeline.errors import InputError
from pipeline.steps.words import now
from pipeline.workflow import Plan, collect_seldom

collect_seldom()
try:
    plan = Plan.of(
        str(config.get("study", Path(workflow.basedir) / "demo_raw")),
        str(config.get("out", "results")),
        config.get("started", now()),
        may_begin=workflow.is_main_process,
    )
except InputError as error:
    raise WorkflowError(str(error)) from None


plan.expect(workflow)


workdir: str(plan.results)


# On a cluster, the jobs of several sessions make one job of the scheduler. On its node the engine would start
# another engine for each of them; as local jobs they are threads of the one that is there, and share its worker.
together = "session"
if workflow.remote_exec:
    together = None

    localrules:
        convert,
        validate,
        detect,
        draw,
        judge,
        overview,


wildcard_constraints:
    session="[A-Za-z0-9_-]+",


onstart:
    plan.begin(workflow)


onsuccess:
    plan.end(workflow, 0)


onerror:
    plan.end(workflow, 1)


rule all:
    input:
        expand("{session}/samples.parquet", session=plan.jobs),
        expand("{session}/findings.parquet", session=plan.jobs),
        expand("{session}/quality.json", session=plan.jobs),
        expand("{session}/report.html", session=plan.jobs),
        "sessions.parquet",
        "sessions.csv",
        "exclusions.csv",
        "margins.csv",
        "signal.csv",
        "flow.svg",
        "flow.txt",
        "methods.txt",
        "index.html",


rule convert:
    output:
        recording=".work/{session}/recording.parquet",
        conversion=".work/{session}/conversion.json",
    log:
        "logs/{session}/convert.log",
    group:
        together
    resources:
        mem_mb=plan.memory_mb,
    params:
        origin=plan.origin,
        code=plan.code["convert"],
    run:
        plan.run("convert", wildcards)


rule validate:
    input:
        recording=rules.convert.output.recording,
        conversion=rules.convert.output.conversion,
    output:
        validation=".work/{session}/validation.json",
    log:
        "logs/{session}/validate.log",
    priority: 1
    group:
        together
    resources:
        mem_mb=plan.memory_mb,
    params:
        code=plan.code["convert"],
    run:
        plan.run("validate", wildcards)


rule detect:
    input:
        recording=rules.convert.output.recording,
        conversion=rules.convert.output.conversion,
        validation=rules.validate.output.validation,
    output:
        detected=".work/{session}/detected.json",
        marks=".work/{session}/marks.parquet",
    log:
        "logs/{session}/detect.log",
    priority: 2
    group:
        together
    resources:
        mem_mb=plan.memory_mb,
    params:
        surroundings=plan.surroundings,
        code=plan.code["detect"],
    run:
        plan.run("detect", wildcards)


rule draw:
    input:
        recording=rules.convert.output.recording,
        conversion=rules.convert.output.conversion,
        detected=rules.detect.output.detected,
        marks=rules.detect.output.marks,
    output:
        marked=".work/{session}/samples.parquet",
        found=".work/{session}/findings.parquet",
        drawn=".work/{session}/drawn.npz",
        windows=".work/{session}/windows.parquet",
    log:
        "logs/{session}/draw.log",
    priority: 3
    group:
        together
    resources:
        mem_mb=plan.memory_mb,
    params:
        log=plan.log,
        code=plan.code["draw"],
    run:
        plan.run("draw", wildcards)


# Verdict and page are one job: a new limit makes both anew for all sessions, and each job costs the engine 5 ms.
rule judge:
    input:
        recording=rules.convert.output.recording,
        conversion=rules.convert.output.conversion,
        detected=rules.detect.output.detected,
        marks=rules.detect.output.marks,
        marked=rules.draw.output.marked,
        found=rules.draw.output.found,
        drawn=rules.draw.output.drawn,
        windows=rules.draw.output.windows,
    output:
        samples="{session}/samples.parquet",
        findings="{session}/findings.parquet",
        quality="{session}/quality.json",
        page="{session}/report.html",
        strip=".work/{session}/strip.svg",
        signal=".work/{session}/signal.parquet",
    log:
        judge="logs/{session}/judge.log",
        report="logs/{session}/report.log",
    priority: 4
    group:
        together
    resources:
        mem_mb=plan.memory_mb,
        # The last step is part of every group, and asks for the time of all.
        runtime=plan.minutes,
    params:
        circumstances=plan.circumstances,
        review=plan.review,
        code=plan.code["judge"],
        pages=plan.code["report"],
    run:
        plan.run("judge", wildcards)
        plan.run("report", wildcards, goes_on=True)


rule overview:
    input:
        # What else it reads is made before these, or with them; each further input costs the engine 2 ms.
        qualities=expand(rules.judge.output.quality, session=plan.jobs),
    output:
        "index.html",
        "sessions.parquet",
        "sessions.csv",
        "exclusions.csv",
        "margins.csv",
        "signal.csv",
        "flow.svg",
        "flow.txt",
        "methods.txt",
        ".work/record.json",
        ".work/study.json",
    log:
        "logs/overview.log",
    resources:
        mem_mb=1000,
        runtime=15,
    params:
        code=plan.code["overview"],
        policy=f"policy {plan.policy.sha256}",
        files=plan.files,
        reviews=plan.reviews,
        told=plan.told,
    run:
        plan.make_tables()
