// Applies a library in ELM to Bundles, with cql-execution over cql-exec-fhir. Usage: cql_execution.mjs ELM AT
// A Bundle a line on standard input; a line of JSON a patient on standard output.
import { readFileSync } from "node:fs";
import { createInterface } from "node:readline";
import cql from "cql-execution";
import fhir from "cql-exec-fhir";
import { decided } from "./decided.mjs";

const [elm, moment] = process.argv.slice(2);
const library = new cql.Library(JSON.parse(readFileSync(elm, "utf8")));
const at = cql.DateTime.parse(moment);
const executor = new cql.Executor(library, undefined, { At: at });

// The source gives a contained record the type Resource, whatever it is. Here it has its own, as FHIR has it.
function typed(record) {
  const { _json: json, _modelInfo: model } = record;
  if (json.contained) {
    const inside = json.contained.map((held) => new record.constructor(held, model.findClass(`FHIR.${held.resourceType}`), model));
    const get = record.get.bind(record);
    record.get = (path) => (path === "contained" ? inside : get(path));
  }
  return record;
}

// The source makes an object of each record at each retrieval. Here one is made once a patient, and those come first whose
// code is asked for, as from a server; the engine compares the codes again.
function indexed(patient) {
  const find = patient.findRecords.bind(patient);
  const byCode = new Map();
  const all = new Map();
  patient.findRecords = (profile, details) => {
    if (!details?.codes) {
      if (!all.has(profile)) all.set(profile, find(profile, details).map(typed));
      return all.get(profile);
    }
    if (!byCode.has(profile)) {
      const index = new Map();
      for (const record of patient.findRecords(profile, { datatype: details.datatype })) {
        for (const { system, code } of [record.getCode("code") ?? []].flat()) {
          const key = `${system}|${code}`;
          index.set(key, [...(index.get(key) ?? []), record]);
        }
      }
      byCode.set(profile, index);
    }
    return details.codes.flatMap(({ system, code }) => byCode.get(profile).get(`${system}|${code}`) ?? []);
  };
  return patient;
}

const source = fhir.PatientSource.FHIRv401();
const current = source.currentPatient.bind(source);
source.currentPatient = () => {
  const patient = current();
  return patient && indexed(patient);
};
for await (const line of createInterface({ input: process.stdin })) {
  source.reset();
  source.loadBundles([JSON.parse(line)]);
  const { patientResults } = await executor.exec(source, at);
  const [said] = Object.values(patientResults);
  process.stdout.write(decided((definition) => said[definition]));
}
