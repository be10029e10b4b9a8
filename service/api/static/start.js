window.ui = SwaggerUIBundle({
  url: "/openapi.json",
  dom_id: "#page",
  deepLinking: true,
  validatorUrl: null,
  queryConfigEnabled: false,
  tryItOutEnabled: true,
});
