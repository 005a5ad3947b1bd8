// Says in words, in the page's message region, that a passkey was not accepted.
document.addEventListener('allauth.error', function () {
  const region = document.querySelector('.notices')
  const said = document.getElementById('passkey-failed')
  if (!region || !said) return
  const notice = document.createElement('p')
  notice.className = 'notice notice--error'
  notice.textContent = said.content.textContent.trim()
  region.replaceChildren(notice)
  region.scrollIntoView({ block: 'center' })
})
