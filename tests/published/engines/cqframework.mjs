// Translates and applies a library in CQL to Bundles, with the engine of @cqframework/cql. Usage: cqframework.mjs CQL AT
// A Bundle a line on standard input; a line of JSON a patient on standard output.
// The engine says at once what it logs to; standard output is for the answers.
import "data:text/javascript,process.stdout.write = (said) => process.stderr.write(said); console.info = console.log = console.error";
import { readFileSync, writeFileSync } from "node:fs";
import { createInterface } from "node:readline";
import * as engine from "@cqframework/cql/engine";
import { BigDecimal, QName } from "@cqframework/cql/shared";
import { SystemModelInfoProvider } from "@cqframework/cql/cql";
import {
  LibraryManager,
  ModelManager,
  createLibrarySourceProvider,
  createModelInfoProvider,
  stringAsSource,
} from "@cqframework/cql/cql-to-elm";
import { KtList, KtMutableMap, KtMutableSet, Pair } from "@cqframework/cql/kotlin-kotlin-stdlib";
import load from "cql-exec-fhir/lib/load.js";
import { decided } from "./decided.mjs";

const [file, moment] = process.argv.slice(2);
const source = readFileSync(file, "utf8");
const FHIR = "http://hl7.org/fhir";
const model = readFileSync(new URL("node_modules/cql-exec-fhir/lib/modelInfos/fhir-modelinfo-4.0.1.xml", import.meta.url), "utf8");
const types = load(model);

// --- JSON into values of the engine, by the published description of FHIR's types

// The engine takes whole hours of difference from universal time only, so it is given universal time.
function dateTime(written) {
  const parts = written.includes("T") ? new Date(written).toISOString().slice(0, -1).split(/[-T:.]/) : written.split("-");
  return engine.DateTime.fromDateElements(BigDecimal.fromString("0"), new Int32Array(parts.map(Number)));
}

const system = {
  Boolean: (value) => new engine.Boolean(value),
  Integer: (value) => new engine.Integer(value),
  // The engine rounds a product to the digits of its longer factor, and CQL to eight: so it is given eight.
  Decimal: (value) => new engine.Decimal(BigDecimal.fromString(value.toFixed(8))),
  String: (value) => new engine.String(value),
  DateTime: dateTime,
  Date: (value) => engine.Date.fromDateString(value),
};

const described = new Map();
function elements(type) {
  if (!described.has(type)) {
    const found = new Map();
    for (let info = types.findClass(type); info; info = info.baseTypeSpecifier && types.findClass(info.baseTypeSpecifier.fqn)) {
      for (const element of info.elements) found.set(element.name, element.typeSpecifier);
    }
    described.set(type, found);
  }
  return described.get(type);
}

const capital = (name) => name[0].toUpperCase() + name.slice(1);

function value(json, specifier) {
  if (specifier.isList) return new engine.List(KtList.fromJsArray(json.map((one) => value(one, specifier.elementType))));
  if (specifier.namespace === "System") return system[specifier.name](json);
  return instance(json, specifier.fqn);
}

function instance(json, type) {
  const named = typeof json === "object" && json.resourceType ? `FHIR.${json.resourceType}` : type;
  // A primitive is an object with the element `value`.
  const held = typeof json === "object" ? json : { value: json };
  const made = new Map();
  for (const [name, specifier] of elements(named)) {
    for (const [key, one] of specifier.isChoice ? specifier.choices.map((choice) => [name + capital(choice.name), choice]) : [[name, specifier]]) {
      if (held[key] !== undefined) made.set(name, value(held[key], one));
    }
  }
  return new engine.ClassInstance(new QName(FHIR, named.slice("FHIR.".length), ""), KtMutableMap.fromJsMap(made));
}

// --- one patient's records

class Records {
  constructor() {
    this.byType = new Map();
    this.count = 0;
  }
  take(bundle) {
    this.byType = new Map();
    for (const { resource } of bundle.entry) {
      const one = { json: resource, made: instance(resource) };
      // The engine keeps sets of the records that it has seen, and works out the hash of all that they hold again and again.
      const number = this.count++;
      one.made.hashCode = () => number;
      this.byType.set(resource.resourceType, [...(this.byType.get(resource.resourceType) ?? []), one]);
    }
  }
  retrieve(context, contextPath, contextValue, dataType, template, codePath, codes) {
    let records = this.byType.get(dataType) ?? [];
    if (codes) {
      const asked = codes.asJsReadonlyArrayView().map(({ system, code }) => `${system}|${code}`);
      records = records.filter(({ json }) => json[codePath]?.coding?.some(({ system, code }) => asked.includes(`${system}|${code}`)));
    }
    return KtList.fromJsArray(records.map(({ made }) => made));
  }
  getContextPath() {
    return null;
  }
  is(type, asked) {
    for (let info = types.findClass(`FHIR.${type}`); info; info = info.baseTypeSpecifier && types.findClass(info.baseTypeSpecifier.fqn)) {
      if (info.name.replace(/^FHIR\./, "") === asked.getLocalPart()) return true;
    }
    return asked.getLocalPart() === "Any";
  }
  resolveId(target) {
    return target.getElement("id").getElement("value").value;
  }
  phiObfuscationSupplier() {
    return null;
  }
}

const models = new ModelManager();
models.modelInfoLoader.registerModelInfoProvider(new SystemModelInfoProvider());
models.modelInfoLoader.registerModelInfoProvider(createModelInfoProvider((name) => (name === "FHIR" ? stringAsSource(model) : null)));
const libraries = new LibraryManager(models);
libraries.librarySourceLoader.registerProvider(createLibrarySourceProvider(() => stringAsSource(source)));
const records = new Records();
const environment = new engine.Environment(libraries);
environment.registerDataProvider(FHIR, records);
const applied = new engine.CqlEngine(environment, KtMutableSet.fromJsSet(new Set([engine.CqlEngine.Options.EnableExpressionCaching])));

const asked = new engine.EvaluationParams.LibraryParams.Builder();
asked.expressionsByName(["Rules That Fire", "Size Class", "Holds", "Cautions", "Tasks"]);
const name = /^library "([^"]+)"/.exec(source)[1];

// --- values of the engine into JSON

function plain(given) {
  if (given === null || given === undefined) return null;
  if (given instanceof engine.List) return engine.iterableToList(given).asJsReadonlyArrayView().map(plain);
  if (given instanceof engine.Tuple) return Object.fromEntries([...given.elements.asJsReadonlyMapView()].map(([key, one]) => [key, plain(one)]));
  if (given instanceof engine.Decimal) return given.value.toDouble();
  return given.value;
}

for await (const line of createInterface({ input: process.stdin })) {
  const bundle = JSON.parse(line);
  records.take(bundle);
  const params = new engine.EvaluationParams.Builder();
  params.libraryByName(name, asked.build());
  params.contextParameter = new Pair("Patient", bundle.entry[0].resource.id);
  params.parameters = KtMutableMap.fromJsMap(new Map([["At", dateTime(moment)]]));
  const results = applied.evaluate(params.build()).onlyResultOrThrow;
  writeFileSync(1, decided((definition) => plain(results.getByName(definition).value)));
}
