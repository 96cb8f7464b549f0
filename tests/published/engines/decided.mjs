// What an engine of CQL decided for a patient, as a line of JSON: the same for each engine.
const rounded = (hours) => (hours === null || hours === undefined ? null : Math.round(hours * 1e6) / 1e6);

// `said` gives the value of a definition, in values of JavaScript.
export function decided(said) {
  return (
    JSON.stringify({
      rules: said("Rules That Fire"),
      size: said("Size Class"),
      holds: said("Holds").map((hold) => [hold.kind, hold.axis, hold.text]),
      cautions: said("Cautions").map((caution) => [caution.severity, caution.text]),
      tasks: said("Tasks").map((task) => ({
        task: task.task,
        people: task.people,
        performer: task.performer,
        first_within_hours: rounded(task.first_within_hours),
        interval_hours: rounded(task.interval_hours),
        for_days: rounded(task.for_days),
        events: task.events,
      })),
    }) + "\n"
  );
}
