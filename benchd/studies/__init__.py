"""Studies: joins the store with the pure room `trials`. No printing, no clock: `now` comes in as ISO 8601.

What the command line and the page use (values are dataclasses with `to_json`, or pydantic models):

    known.summaries(store)                       all studies, a line each
    known.open_study(store, name)                document and pure study
    known.gather(store, known)                   trials with boots judged by the goal, checks, predictions
    known.save(store, name, document, now)       store a document (`document.StudyDocument`)
    bench.plan_trial / bench.start               a trial by what changed
    bench.enter / bench.enter_table              results by hand, or from a test program's CSV
    bench.running(store, machines)               what runs on each machine
    csvfile.import_table / csvfile.export_table  studies from and to CSV
    weighing.why(store, name)                    causes
    weighing.next_trials(store, name)            what to try next
    comparing.find_groups / compare_groups       boots and trials side by side
    report.write_report(store, name, ...)        HTML and Markdown for a stranger
"""
