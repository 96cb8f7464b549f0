"""The OpenAPI document: what each route answers, with an example, which status codes it can give, and who may call it."""
