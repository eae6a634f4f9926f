// Shows the service's state as it changes, until the full page takes this one's place.
const place = document.getElementById("state");
const stream = new EventSource("/v1/events");
stream.addEventListener("status", (event) => {
  const now = JSON.parse(event.data);
  place.textContent = now.run ? `${now.run.routine}: ${now.run.state}. ${now.run.sentence}` : "Idle.";
});
stream.onerror = () => { place.textContent = "The service does not answer."; };
