"use strict";
SwaggerUIBundle({ url: "/openapi.json", dom_id: "#swagger-ui", deepLinking: true, layout: "BaseLayout", validatorUrl: null });
