// Links open the chapter they lead into; #all opens every chapter, for paper.
const chapters = [...document.querySelectorAll("details.chapter")];
const follow = () => {
  const name = decodeURIComponent(location.hash.slice(1));
  const goal = name && document.getElementById(name);
  if (name === "all") chapters.forEach((own) => { own.open = true; });
  const chapter = goal && goal.closest("details.chapter");
  if (chapter) { chapter.open = true; goal.scrollIntoView(); }
};
addEventListener("hashchange", follow);
document.addEventListener("click", (event) => { if (event.target.closest("a[href^='#']")) setTimeout(follow); });
if (chapters.length) {
  const button = document.createElement("button");
  button.type = "button";
  button.textContent = "Open all chapters, to read or print";
  button.onclick = () => {
    const open = chapters.some((own) => !own.open);
    chapters.forEach((own) => { own.open = open; });
    button.textContent = open ? "Close all chapters" : "Open all chapters, to read or print";
  };
  chapters[0].before(button);
}
follow();
