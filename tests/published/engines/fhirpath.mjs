// Evaluates conditions in FHIRPath over Bundles with fhirpath.js. Usage: fhirpath.mjs FILE AT
// FILE is JSON: the variables, then the conditions, as pairs of a name and an expression. A Bundle a line on standard input; a
// line of JSON a patient on standard output: each variable that has one value, and the rules whose condition is true.
import { readFileSync } from "node:fs";
import { createInterface } from "node:readline";
import fhirpath from "fhirpath";
import model from "fhirpath/fhir-context/r4/index.js";

const [file, at] = process.argv.slice(2);
const compiled = (expressions) => expressions.map(([name, expression]) => [name, fhirpath.compile(expression, model)]);
const [variables, conditions] = JSON.parse(readFileSync(file, "utf8")).map(compiled);
for await (const line of createInterface({ input: process.stdin })) {
  const bundle = JSON.parse(line);
  const known = { at };
  for (const [name, value] of variables) known[name] = value(bundle, known);
  const rules = conditions.filter(([, condition]) => condition(bundle, known)[0] === true).map(([rule]) => rule);
  const facts = Object.fromEntries(Object.entries(known).filter(([, value]) => value.length === 1));
  process.stdout.write(JSON.stringify({ facts, rules }) + "\n");
}
