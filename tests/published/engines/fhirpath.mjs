// Evaluates conditions in FHIRPath with fhirpath.js. Usage: fhirpath.mjs CONDITIONS
// CONDITIONS is a JSON file of expressions by rule. The facts of a patient a line on standard input; on standard output the
// rules whose condition is true.
import { readFileSync } from "node:fs";
import { createInterface } from "node:readline";
import fhirpath from "fhirpath";

const conditions = Object.entries(JSON.parse(readFileSync(process.argv[2], "utf8")));
const compiled = conditions.map(([rule, expression]) => [rule, fhirpath.compile(expression)]);
for await (const line of createInterface({ input: process.stdin })) {
  const facts = JSON.parse(line);
  const fired = compiled.filter(([, condition]) => condition({}, facts)[0] === true).map(([rule]) => rule);
  process.stdout.write(JSON.stringify(fired) + "\n");
}
