// An age as people say it, the same as the service writes it.

export function ageWords(seconds) {
  const s = Math.max(0, Math.floor(seconds));
  if (s < 120) return `${s} s`;
  if (s < 7200) return `${Math.floor(s / 60)} min`;
  if (s < 172800) return `${Math.floor(s / 3600)} h ${Math.floor((s % 3600) / 60)} min`;
  return `${Math.floor(s / 86400)} d`;
}
