// A button that prints the page. Without scripts it is not shown; browsers have their own.
document.addEventListener('click', function (event) {
  if (event.target.closest('[data-print]')) window.print()
})
