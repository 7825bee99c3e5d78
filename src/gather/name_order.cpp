#include "gather/name_order.hpp"

#include <algorithm>
#include <map>
#include <numeric>
#include <optional>
#include <tuple>
#include <utility>

#include "base/text.hpp"
#include "gather/sequence.hpp"

namespace broadloom {
namespace {

bool is_digit(char c) { return c >= '0' && c <= '9'; }

char lower(char c) { return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c; }

/// A separator of folders, a number without its leading zeros, or other text in small letters; in
/// this order where they meet. Longer numbers are greater, hence the length before the digits.
struct Token {
    enum class Kind { separator, number, text } kind = Kind::text;
    size_t digits = 0;  ///< of a number, without leading zeros
    std::string text;
    size_t written = 0;  ///< digits as written; no part of the order

    [[nodiscard]] auto key() const { return std::tie(kind, digits, text); }
};

bool operator<(const Token& a, const Token& b) { return a.key() < b.key(); }

std::vector<Token> tokens(std::string_view name) {
    std::vector<Token> result;
    for (size_t i = 0; i < name.size();) {
        Token t;
        size_t end = i;
        if (name[i] == '/') {
            t.kind = Token::Kind::separator;
            end = i + 1;
        } else if (is_digit(name[i])) {
            t.kind = Token::Kind::number;
            while (end < name.size() && is_digit(name[end])) ++end;
            t.written = end - i;
            size_t first = i;
            while (first < end && name[first] == '0') ++first;
            t.text = name.substr(first, end - first);
            t.digits = t.text.size();
        } else {
            while (end < name.size() && name[end] != '/' && !is_digit(name[end])) {
                t.text += lower(name[end++]);
            }
        }
        i = end;
        result.push_back(std::move(t));
    }
    return result;
}

/// The number where a run begins that goes over the end of its numbering: numbers at both ends and
/// more than half of the numbering unused between them. nullopt for other runs.
std::optional<int64_t> start_of_wrapped(std::vector<int64_t> numbers, int64_t lowest,
                                        int64_t highest) {
    std::sort(numbers.begin(), numbers.end());
    const int64_t range = highest - lowest + 1;
    // Some frames about the end may have been deleted on the camera.
    const int64_t most_missing = range / 100;
    if (numbers.size() < 2 || numbers.front() + range - numbers.back() > most_missing + 1) {
        return std::nullopt;
    }
    for (size_t i = 1; i < numbers.size(); ++i) {
        if (numbers[i] - numbers[i - 1] > range / 2) return numbers[i];
    }
    return std::nullopt;
}

int64_t value_of(const Token& number) {
    int64_t value = 0;
    for (const char c : number.text) value = value * 10 + (c - '0');
    return value;
}

/// Adds `range` to a number, so that it comes after all that were not raised.
void raise(Token& number, int64_t range) {
    number.text = std::to_string(value_of(number) + range);
    number.digits = number.text.size();
}

struct Key {
    std::vector<Token> folder, stem;
    std::string parent, folder_name, stem_text, extension;
    std::optional<size_t> counter;  ///< which token of the stem is the camera's number
    std::string whole;              ///< tells names apart that are else equal
};

bool operator<(const Key& a, const Key& b) {
    return std::tie(a.folder, a.stem, a.extension, a.whole) <
           std::tie(b.folder, b.stem, b.extension, b.whole);
}

Key key_of(const Photo& photo) {
    const std::filesystem::path path =
        photo.path.empty() ? std::filesystem::path(photo.name) : photo.path;
    const std::filesystem::path folder = path.parent_path().lexically_normal();
    Key key;
    key.whole = path.native();
    key.folder = tokens(folder.native());
    key.parent = folder.parent_path().native();
    key.folder_name = folder.filename().native();
    key.stem_text = path.stem().native();
    const std::string extension = path.extension().native();
    for (const char c : extension) key.extension += lower(c);
    key.stem = tokens(key.stem_text);
    // A number of one or two digits at the end ("IMG_0001-2") is a version, no counter.
    for (size_t i = key.stem.size(); i-- > 0;) {
        if (key.stem[i].written >= 3 && key.stem[i].written <= 6) {
            key.counter = i;
            break;
        }
    }
    return key;
}

std::string text_of(const std::vector<Token>& stem, size_t begin, size_t end) {
    std::string text;
    for (size_t i = begin; i < end; ++i) {
        // With a mark between, so that other cuts give other texts.
        text += stem[i].text + "/";
    }
    return text;
}

/// Card folders of one parent: 999 is followed by 100.
void unwrap_folders(std::vector<Key>& keys) {
    constexpr int64_t kFirst = 100, kLast = 999;
    std::map<std::string, std::map<int64_t, std::vector<size_t>>> parents;
    for (size_t i = 0; i < keys.size(); ++i) {
        if (!is_card_folder(keys[i].folder_name)) continue;
        parents[keys[i].parent][std::stoll(keys[i].folder_name.substr(0, 3))].push_back(i);
    }
    for (const auto& [parent, folders] : parents) {
        std::vector<int64_t> numbers;
        for (const auto& [number, members] : folders) numbers.push_back(number);
        const auto start = start_of_wrapped(numbers, kFirst, kLast);
        if (!start) continue;
        for (const auto& [number, members] : folders) {
            if (number >= *start) continue;
            for (const size_t i : members) {
                // The folder's own name begins with its number.
                const auto own =
                    std::find_if(keys[i].folder.rbegin(), keys[i].folder.rend(),
                                 [](const Token& t) { return t.kind == Token::Kind::separator; });
                raise(*own.base(), kLast - kFirst + 1);
            }
        }
    }
}

/// Digits that count up in a camera's number. Names of eight characters count with the last four
/// (CIPA DC-009): DSC09999 is followed by DSC00001.
size_t counting_digits(const Key& key) {
    const size_t written = key.stem[*key.counter].written;
    constexpr size_t kName = 8, kDigits = 4;
    const bool at_end = *key.counter + 1 == key.stem.size();
    return at_end && key.stem_text.size() == kName ? std::min(written, kDigits) : written;
}

int64_t power_of_ten(size_t digits) {
    int64_t power = 1;
    for (size_t d = 0; d < digits; ++d) power *= 10;
    return power;
}

/// Runs of files in one folder. Returns the pairs of names between which a run wraps.
std::vector<std::string> unwrap_files(std::vector<Key>& keys, const std::vector<Photo>& photos) {
    // Folder, what stands before and after the number, its digits that do not count, and how many
    // do.
    using Run = std::tuple<std::string, std::string, std::string, std::string, int64_t, size_t>;
    std::map<Run, std::vector<size_t>> runs;
    for (size_t i = 0; i < keys.size(); ++i) {
        const Key& k = keys[i];
        if (!k.counter) continue;
        const size_t digits = counting_digits(k);
        runs[{k.parent, k.folder_name, text_of(k.stem, 0, *k.counter),
              text_of(k.stem, *k.counter + 1, k.stem.size()),
              value_of(k.stem[*k.counter]) / power_of_ten(digits), digits}]
            .push_back(i);
    }
    std::vector<std::string> wraps;
    for (const auto& [run, members] : runs) {
        const int64_t highest = power_of_ten(std::get<5>(run)) - 1;
        std::vector<int64_t> numbers;
        for (const size_t i : members) {
            numbers.push_back(value_of(keys[i].stem[*keys[i].counter]) % (highest + 1));
        }
        // Some cameras begin again at 0000: the numbering is one longer then.
        const int64_t lowest = std::count(numbers.begin(), numbers.end(), 0) > 0 ? 0 : 1;
        const auto start = start_of_wrapped(numbers, lowest, highest);
        if (!start) continue;
        size_t last = members.front(), first = members.front();
        std::optional<int64_t> top, bottom;
        for (size_t m = 0; m < members.size(); ++m) {
            if (numbers[m] >= *start) {
                if (!top || numbers[m] > *top) top = numbers[m], last = members[m];
            } else {
                if (!bottom || numbers[m] < *bottom) bottom = numbers[m], first = members[m];
                raise(keys[members[m]].stem[*keys[members[m]].counter], highest + 1);
            }
        }
        wraps.push_back(escaped(photos[last].name) + ", " + escaped(photos[first].name));
    }
    return wraps;
}

}  // namespace

bool is_card_folder(std::string_view name) {
    // Not all cameras and card readers keep all five characters after the number.
    return name.size() >= 4 && name.size() <= 8 && name[0] != '0' && is_digit(name[0]) &&
           is_digit(name[1]) && is_digit(name[2]) && !is_digit(name[3]);
}

bool natural_less(const std::string& a, const std::string& b) {
    const std::vector<Token> ta = tokens(a), tb = tokens(b);
    if (ta < tb) return true;
    if (tb < ta) return false;
    return a < b;
}

NameRanks name_ranks(const std::vector<Photo>& photos) {
    std::vector<Key> keys;
    keys.reserve(photos.size());
    for (const Photo& p : photos) keys.push_back(key_of(p));
    NameRanks result;
    unwrap_folders(keys);
    result.wraps = unwrap_files(keys, photos);
    std::vector<size_t> order(photos.size());
    std::iota(order.begin(), order.end(), size_t{0});
    std::stable_sort(order.begin(), order.end(),
                     [&](size_t a, size_t b) { return keys[a] < keys[b]; });
    result.rank.resize(photos.size());
    for (size_t r = 0; r < order.size(); ++r) result.rank[order[r]] = r;

    std::map<std::tuple<std::string, std::string, std::string>, size_t> series;
    for (const Key& k : keys) {
        // The card's folders belong together, others stand for themselves.
        const std::string folder = is_card_folder(k.folder_name) ? std::string() : k.folder_name;
        const std::string name =
            k.counter ? text_of(k.stem, 0, *k.counter) : text_of(k.stem, 0, k.stem.empty() ? 0 : 1);
        result.series.push_back(
            series.try_emplace({k.parent, folder, name}, series.size()).first->second);
    }
    return result;
}

std::string name_list(const std::vector<Photo>& photos, const std::vector<size_t>& which) {
    constexpr size_t kShown = 5;
    std::string text;
    for (size_t i = 0; i < std::min(kShown, which.size()); ++i) {
        text += (i == 0 ? "" : ", ") + escaped(photos[which[i]].name);
    }
    if (which.size() > kShown) text += " and " + std::to_string(which.size() - kShown) + " more";
    return text;
}

}  // namespace broadloom
