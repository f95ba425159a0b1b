// What a program does with the generated types; the compiler checks it, nothing runs it.
import type { paths, components } from "./api.js";
import createClient from "openapi-fetch";

const client = createClient<paths>({ baseUrl: "http://127.0.0.1:8600" });
const inTank = { params: { path: { tank: "reed" } } };

export async function use(): Promise<string[]> {
  const co2 = await client.GET("/v1/tanks/{tank}/co2", inTank);
  const state: components["schemas"]["TankCo2"]["state"] | undefined = co2.data?.state;

  // A merge patch: members in part, or null.
  await client.PATCH("/v1/tanks/{tank}", {
    ...inTank,
    body: { light: { start: "11:00" }, net_volume: null },
    headers: { "Content-Type": "application/merge-patch+json" },
  });
  // @ts-expect-error no member of a tank
  const wrong: components["schemas"]["TankPatch"] = { lamp: 1 };

  await client.POST("/v1/tanks/{tank}/readings", {
    ...inTank,
    body: { quantity: "temperature", value: 75.2, unit: "[degF]" },
  });
  await client.POST("/v1/tanks/{tank}/readings", {
    ...inTank,
    body: { readings: [{ quantity: "ph", value: 6.8 }] },
  });
  await client.PUT("/v1/tanks/{tank}", { ...inTank, body: { name: "Reed bed" } });
  const asked = await client.POST("/v1/calculate/co2", {
    body: { ph: 6.6, kh: { value: 4, unit: "dKH" }, temperature: { value: 24, unit: "Cel" } },
  });
  return [state ?? "", String(wrong), asked.error?.detail ?? ""];
}
