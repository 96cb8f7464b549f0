// Evaluates a decision model: dmn-moddle reads the file, feelin evaluates every cell and expression. Usage: dmn.mjs FILE
// The facts of a patient a line on standard input; all decisions on standard output.
import { readFileSync } from "node:fs";
import { createInterface } from "node:readline";
import { evaluate, unaryTest } from "@bpmn-io/feelin";
import { DmnModdle } from "dmn-moddle";

const { rootElement, warnings } = await new DmnModdle().fromXML(readFileSync(process.argv[2], "utf8"));
if (warnings.length) throw new Error(warnings.map(({ message }) => message).join("\n"));

const remembered = new Map();
function once(key, work) {
  if (!remembered.has(key)) remembered.set(key, work());
  return remembered.get(key);
}

const cell = (text, value) =>
  text === "-" || once(`${text}|${JSON.stringify(value)}`, () => unaryTest(text, { "?": value }).value === true);

const constant = /^(-?[0-9.]+|true|false|"[^"]*")$/;
const worked = (text, facts) =>
  constant.test(text) ? once(text, () => evaluate(text, {}).value) : evaluate(text, facts).value;

function row(table, rule, facts) {
  const outputs = rule.outputEntry.map(({ text }) => worked(text, facts));
  return outputs.length === 1 ? outputs[0] : Object.fromEntries(table.output.map(({ name }, place) => [name, outputs[place]]));
}

const input = (text, facts) =>
  text in facts
    ? once(`${text}|${JSON.stringify(facts[text])}`, () => evaluate(text, { [text]: facts[text] }).value)
    : evaluate(text, facts).value;

// Hit policies: DMN 1.3, 8.2.10.
function decided(table, facts) {
  const values = table.input.map(({ inputExpression }) => input(inputExpression.text, facts));
  const matched = table.rule.filter((rule) => rule.inputEntry.every(({ text }, place) => cell(text, values[place])));
  if (table.hitPolicy === "FIRST") return matched.length ? row(table, matched[0], facts) : null;
  if (table.hitPolicy !== "COLLECT") throw new Error(`hit policy ${table.hitPolicy}`);
  const collected = matched.map((rule) => row(table, rule, facts));
  if (!table.aggregation) return collected;
  if (!collected.length) return null;
  return { MIN: Math.min, MAX: Math.max }[table.aggregation](...collected);
}

const names = new Map(rootElement.drgElement.map(({ id, name }) => [`#${id}`, name]));
const decisions = rootElement.drgElement.filter(({ $type }) => $type === "dmn:Decision");
const needs = new Map(
  decisions.map(({ id, informationRequirement = [] }) => [
    id,
    informationRequirement.map(({ requiredInput, requiredDecision }) => names.get((requiredInput ?? requiredDecision).href)),
  ]),
);
for await (const line of createInterface({ input: process.stdin })) {
  const known = JSON.parse(line);
  const outcome = {};
  for (const { id, name, decisionLogic } of decisions) {
    // A decision sees what it requires, and nothing else.
    const facts = Object.fromEntries(needs.get(id).map((need) => [need, known[need] ?? null]));
    const isTable = decisionLogic.$type === "dmn:DecisionTable";
    outcome[name] = known[name] = isTable ? decided(decisionLogic, facts) : evaluate(decisionLogic.text, facts).value;
  }
  process.stdout.write(JSON.stringify(outcome) + "\n");
}
