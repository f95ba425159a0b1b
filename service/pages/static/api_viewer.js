// The viewer of the API's document: Swagger UI with what it has too much of for this page left out.
"use strict";

const place = document.getElementById("api-viewer");

/** A path or a group as words: the viewer puts a link inside a button, which keys cannot reach. */
function plainWords({ React }) {
  return ({ text }) => React.createElement("span", null, text);
}

function nothing() {
  return null;
}

/** Long examples scroll; by keys only if they can be focused. */
new MutationObserver(() => {
  for (const example of place.querySelectorAll("pre:not([tabindex])")) example.tabIndex = 0;
}).observe(place, { childList: true, subtree: true });

SwaggerUIBundle({
  url: place.dataset.document,
  domNode: place,
  deepLinking: true,
  docExpansion: "none",
  defaultModelsExpandDepth: -1,
  displayRequestDuration: true,
  persistAuthorization: false, // a token is forgotten with the page
  validatorUrl: null,
  plugins: [
    {
      wrapComponents: {
        DeepLink: (original, system) => plainWords(system),
        ServersContainer: () => nothing,
        InfoContainer: () => nothing,
      },
    },
  ],
});
