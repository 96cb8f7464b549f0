// Translates CQL on standard input to ELM on standard output, with the translator of @cqframework/cql. Fails on any error.
import { readFileSync } from "node:fs";
import { SystemModelInfoProvider } from "@cqframework/cql/cql";
import {
  CqlTranslator,
  LibraryManager,
  ModelManager,
  createModelInfoProvider,
  stringAsSource,
} from "@cqframework/cql/cql-to-elm";

const model = new URL("node_modules/cql-exec-fhir/lib/modelInfos/fhir-modelinfo-4.0.1.xml", import.meta.url);
const models = new ModelManager();
models.modelInfoLoader.registerModelInfoProvider(new SystemModelInfoProvider());
models.modelInfoLoader.registerModelInfoProvider(
  createModelInfoProvider((name) => (name === "FHIR" ? stringAsSource(readFileSync(model, "utf8")) : null)),
);
const elm = JSON.parse(CqlTranslator.fromText(readFileSync(0, "utf8"), new LibraryManager(models)).toJson());
const errors = elm.library.annotation.filter((note) => note.errorSeverity === "error");
for (const { startLine, startChar, message } of errors) console.error(`${startLine}:${startChar} ${message}`);
if (errors.length) process.exit(1);

// What is only for a debugger or a reader of the source is left out: it is nine tenths of the file.
const kept = JSON.stringify(elm, (name, value) => (["annotation", "locator", "localId", "signature"].includes(name) ? undefined : value));
process.stdout.write(kept);
