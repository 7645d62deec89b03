// The login form: where to go afterwards, and whether the last token was wrong.
const asked = new URLSearchParams(location.search);
document.getElementById("next").value = asked.get("next") ?? "/";
document.getElementById("wrong").hidden = !asked.has("wrong");
document.getElementById("token").focus();
