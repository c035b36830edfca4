#include "daemon/http/gate.hpp"

#include <sys/random.h>

#include <algorithm>
#include <array>

namespace nightbench::http {
namespace {

constexpr std::size_t kMostPeers = 4096;
constexpr std::size_t kMostSessions = 64;
constexpr Duration kSessionLife = std::chrono::hours(12);
constexpr double kWrongTokenCost = 50;

std::string lower(std::string text) {
  for (char& c : text) {
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  }
  return text;
}

// Takes as long for a guess that is nearly right as for one that is not.
bool same(const std::string& guess, const std::string& secret) {
  unsigned different = guess.size() == secret.size() ? 0 : 1;
  for (std::size_t n = 0; n < secret.size(); ++n) {
    const char c = n < guess.size() ? guess[n] : '\0';
    different |= static_cast<unsigned char>(c ^ secret[n]);
  }
  return different == 0;
}

std::string cookie_of(const std::string& field) {
  std::size_t at = 0;
  while (at < field.size()) {
    const std::size_t end = std::min(field.find(';', at), field.size());
    std::string pair = field.substr(at, end - at);
    pair.erase(0, std::min(pair.find_first_not_of(' '), pair.size()));
    if (pair.starts_with(kSessionCookie + "=")) return pair.substr(kSessionCookie.size() + 1);
    at = end + 1;
  }
  return {};
}

Refusal refusal(int status, const char* reason, const char* text) {
  return Refusal{status, reason, text};
}

}  // namespace

std::vector<std::string> authorities(const std::string& address, unsigned port, bool loopback,
                                     const std::vector<std::string>& hosts) {
  std::vector<std::string> names;
  if (address.empty() || loopback) names = {"localhost"};
  if (!address.empty()) {
    names.push_back(address.find(':') == std::string::npos ? address : "[" + address + "]");
    if (loopback) names.insert(names.end(), {"127.0.0.1", "[::1]"});
  }
  for (const std::string& host : hosts) names.push_back(lower(host));
  std::vector<std::string> out;
  for (const std::string& name : names) {
    if (address.empty() || port == 80) out.push_back(name);
    if (!address.empty()) out.push_back(name + ":" + std::to_string(port));
  }
  return out;
}

bool Gate::spend(const std::string& peer, double cost) {
  const TimePoint now = clock_.now();
  if (buckets_.size() >= kMostPeers && !buckets_.contains(peer)) {
    std::erase_if(buckets_, [&](const auto& each) {
      return seconds(now - each.second.filled) * access_.requests_per_s > access_.burst;
    });
    if (buckets_.size() >= kMostPeers) return false;
  }
  const auto [place, is_new] = buckets_.try_emplace(peer, Bucket{access_.burst, now});
  Bucket& bucket = place->second;
  bucket.tokens = std::min(access_.burst,
                           bucket.tokens + seconds(now - bucket.filled) * access_.requests_per_s);
  bucket.filled = now;
  if (bucket.tokens < 1) return false;
  bucket.tokens -= cost;
  return true;
}

bool Gate::knows(const Request& request) {
  if (access_.token.empty()) return false;
  const std::string given = request.field("authorization");
  if (given.size() > 7 && lower(given.substr(0, 7)) == "bearer ") {
    return same(given.substr(7), access_.token);
  }
  const std::string cookie = cookie_of(request.field("cookie"));
  const auto session = sessions_.find(cookie);
  return !cookie.empty() && session != sessions_.end() && session->second > clock_.now();
}

std::optional<Refusal> Gate::check(const Request& request, const Door& door,
                                   const std::string& peer, bool open_to_all) {
  if (!spend(peer, 1)) return refusal(429, "too-many", "too many requests: come back in a second");
  const std::string host = lower(request.field("host"));
  if (std::find(door.authorities.begin(), door.authorities.end(), host) == door.authorities.end()) {
    return refusal(421, "wrong-host", "this service is not called that");
  }
  const std::string origin = request.field("origin");
  if (!origin.empty() && lower(origin) != "http://" + host && lower(origin) != "https://" + host) {
    return refusal(403, "foreign-origin", "a page of another site may not ask here");
  }
  if (request.field("sec-fetch-site") == "cross-site" && !open_to_all) {
    return refusal(403, "foreign-origin", "a page of another site may not ask here");
  }
  if (!door.needs_token || open_to_all || knows(request)) return std::nullopt;
  spend(peer, kWrongTokenCost);
  return refusal(401, "no-token", "a token is needed here: Authorization: Bearer ...");
}

std::optional<std::string> Gate::open_session(const std::string& token) {
  if (access_.token.empty() || !same(token, access_.token)) return std::nullopt;
  std::array<unsigned char, 16> bytes{};
  if (getrandom(bytes.data(), bytes.size(), 0) != static_cast<ssize_t>(bytes.size())) {
    return std::nullopt;
  }
  std::string id;
  constexpr std::string_view kDigits = "0123456789abcdef";
  for (const unsigned char byte : bytes) {
    id += kDigits[byte >> 4U];
    id += kDigits[byte & 15U];
  }
  const TimePoint now = clock_.now();
  std::erase_if(sessions_, [&](const auto& each) { return each.second <= now; });
  if (sessions_.size() >= kMostSessions) sessions_.erase(sessions_.begin());
  sessions_[id] = now + kSessionLife;
  return id;
}

}  // namespace nightbench::http
