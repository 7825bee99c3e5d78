#include "scene/json_value.hpp"

#include <algorithm>
#include <cctype>
#include <cstddef>
#include <iterator>
#include <nlohmann/json.hpp>
#include <optional>
#include <utility>

#include "base/text.hpp"

namespace broadloom {
namespace {

using nlohmann::json;

constexpr size_t kDeepest = 64;
constexpr size_t kMostValues = 3'000'000;
constexpr size_t kMostRepairs = 20;

/// Reads a text and counts what was read, so that each event of the parser knows its place.
class CountingIterator {
  public:
    using iterator_category = std::input_iterator_tag;
    using value_type = char;
    using difference_type = std::ptrdiff_t;
    using pointer = const char*;
    using reference = const char&;

    CountingIterator(const char* at, size_t* consumed) : at_(at), consumed_(consumed) {}
    reference operator*() const { return *at_; }
    CountingIterator& operator++() {
        ++at_;
        ++*consumed_;
        return *this;
    }
    CountingIterator operator++(int) {
        CountingIterator before = *this;
        ++*this;
        return before;
    }
    bool operator==(const CountingIterator& other) const { return at_ == other.at_; }
    bool operator!=(const CountingIterator& other) const { return at_ != other.at_; }

  private:
    const char* at_;
    size_t* consumed_;
};

bool in_number(char c) {
    return (c >= '0' && c <= '9') || c == '+' || c == '-' || c == '.' || c == 'e' || c == 'E';
}

bool in_word(char c) { return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z'); }

bool is_non_finite_word(std::string_view word) {
    std::string lower;
    for (const char c : word) {
        lower += static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
    }
    return lower == "nan" || lower == "inf" || lower == "infinity";
}

/// A stretch of the text that stands for a number without being a finite one.
struct Repair {
    size_t begin, end;
};

/// Builds the tree from the parser's events.
class Builder : public nlohmann::json_sax<json> {
  public:
    Builder(std::string_view text, const std::vector<Repair>& repairs, KeepVerbatim keep_verbatim,
            Problems& problems)
        : text_(text), repairs_(repairs), keep_verbatim_(keep_verbatim), problems_(problems) {}

    size_t consumed = 0;

    JsonValue take_root() { return std::move(root_); }
    /// Set when parsing ended at something that a repair can pass.
    std::optional<Repair> wanted_repair;

    bool null() override { return scalar(JsonValue::Kind::null, "null"); }
    bool boolean(bool value) override {
        return scalar(JsonValue::Kind::boolean, value ? "true" : "false");
    }
    bool number_integer(json::number_integer_t value) override {
        // The parser takes signed numbers for negative ones only, so a zero was "-0".
        return number(value == 0 ? -0.0 : static_cast<double>(value),
                      value == 0 ? "-0" : std::to_string(value));
    }
    bool number_unsigned(json::number_unsigned_t value) override {
        return number(static_cast<double>(value), std::to_string(value));
    }
    bool number_float(json::number_float_t value, const std::string&) override {
        // Taken from the text, which has all digits and a decimal point in every locale.
        const size_t end = end_of_number();
        size_t begin = end;
        while (begin > 0 && in_number(text_[begin - 1])) {
            --begin;
        }
        return number(value, text_.substr(begin, end - begin));
    }
    bool string(std::string& value) override {
        if (capturing()) {
            separate();
            captured_ += json_quoted(value);
            return true;
        }
        JsonValue* added = add(JsonValue::Kind::string, event_offset());
        if (added == nullptr) {
            return false;
        }
        added->text = std::move(value);
        return true;
    }
    bool binary(json::binary_t&) override { return false; }  // JSON text holds none

    bool start_object(size_t) override { return start(JsonValue::Kind::object, '{'); }
    bool start_array(size_t) override { return start(JsonValue::Kind::array, '['); }
    bool key(std::string& value) override {
        if (capturing()) {
            separate();
            captured_ += json_quoted(value);
            captured_ += ':';
        } else {
            key_ = std::move(value);
        }
        return true;
    }
    bool end_object() override { return end('}'); }
    bool end_array() override { return end(']'); }

    bool parse_error(size_t, const std::string&, const nlohmann::detail::exception& ex) override {
        constexpr int kNumberOverflow = 406;
        const size_t at = std::min(event_offset(), text_.size());
        if (ex.id == kNumberOverflow) {
            const size_t end_at = end_of_number();
            size_t begin = end_at;
            while (begin > 0 && in_number(text_[begin - 1])) {
                --begin;
            }
            wanted_repair = Repair{begin, end_at};
            return false;
        }
        // NaN and Infinity are no JSON, but the place of each is worth telling.
        size_t begin = at, end_at = at;
        while (begin > 0 && in_word(text_[begin - 1])) {
            --begin;
        }
        while (end_at < text_.size() && in_word(text_[end_at])) {
            ++end_at;
        }
        if (is_non_finite_word(text_.substr(begin, end_at - begin))) {
            if (begin > 0 && (text_[begin - 1] == '-' || text_[begin - 1] == '+')) {
                --begin;
            }
            wanted_repair = Repair{begin, end_at};
            return false;
        }
        // "[json.exception.parse_error.101] parse error at line 3, column 5: syntax error ..."
        const std::string_view what = ex.what();
        const size_t column = what.find("column ");
        const size_t colon = column == std::string_view::npos ? column : what.find(": ", column);
        fail(at, "is not valid JSON at " + line_and_column(text_, at) + ": " +
                     escaped(colon == std::string_view::npos ? what : what.substr(colon + 2)) +
                     "; correct it there");
        return false;
    }

    /// Adds a problem after which parsing cannot go on.
    void fail(size_t offset, std::string what) { problems_.add("", offset, std::move(what)); }

  private:
    [[nodiscard]] bool capturing() const { return capture_depth_ > 0; }

    /// The last byte that was read.
    [[nodiscard]] size_t event_offset() const { return consumed > 0 ? consumed - 1 : 0; }

    /// One past the number that was just read: the parser looks one byte ahead, unless at the end.
    [[nodiscard]] size_t end_of_number() const {
        return consumed > 0 && !in_number(text_[consumed - 1]) ? consumed - 1 : consumed;
    }

    [[nodiscard]] std::string place() const {
        std::string result;
        for (size_t i = 1; i < open_.size(); ++i) {
            result = open_[i - 1]->kind == JsonValue::Kind::array
                         ? place_of_index(result, open_[i - 1]->items.size() - 1)
                         : place_of_key(result, open_[i]->key);
        }
        return result;
    }

    /// A comma where the captured text needs one.
    void separate() {
        if (!captured_.empty() && captured_.back() != '[' && captured_.back() != '{' &&
            captured_.back() != ':') {
            captured_ += ',';
        }
    }

    /// Appends to the innermost open value; nullptr when there are too many.
    JsonValue* add(JsonValue::Kind kind, size_t offset) {
        if (++values_ > kMostValues) {
            fail(offset, "holds more than " + std::to_string(kMostValues) +
                             " values; check that it is a scene, and split it if it is one");
            return nullptr;
        }
        JsonValue* added = &root_;
        if (!open_.empty()) {
            added = &open_.back()->items.emplace_back();
        }
        added->kind = kind;
        added->offset = offset;
        if (!open_.empty() && open_.back()->kind == JsonValue::Kind::object) {
            added->key = std::move(key_);
        }
        return added;
    }

    bool scalar(JsonValue::Kind kind, std::string_view text) {
        if (capturing()) {
            separate();
            captured_ += text;
            return true;
        }
        return add(kind, event_offset()) != nullptr;
    }

    bool number(double value, std::string_view text) {
        const size_t end = end_of_number();
        const auto repair = std::find_if(repairs_.begin(), repairs_.end(),
                                         [&](const Repair& r) { return r.end == end; });
        const bool finite = repair == repairs_.end();
        if (capturing()) {
            if (!finite) {
                problems_.add(place_of_key(place(), capture_key_), repair->begin,
                              "holds a number that is not finite; write a finite number");
            }
            return scalar(JsonValue::Kind::number, text);
        }
        // The byte after it may begin a new line.
        JsonValue* added = add(JsonValue::Kind::number, end > 0 ? end - 1 : 0);
        if (added == nullptr) {
            return false;
        }
        added->number = value;
        added->finite = finite;
        return true;
    }

    bool start(JsonValue::Kind kind, char bracket) {
        if (open_.size() + capture_depth_ >= kDeepest) {
            fail(event_offset(), "is nested deeper than " + std::to_string(kDeepest) +
                                     " levels at " + line_and_column(text_, event_offset()) +
                                     "; flatten it there");
            return false;
        }
        if (!capturing() && !open_.empty() && open_.back()->kind == JsonValue::Kind::object &&
            keep_verbatim_ != nullptr && keep_verbatim_(open_, key_)) {
            capture_kind_ = kind;
            capture_key_ = key_;
            capture_offset_ = event_offset();
            captured_.clear();
            capture_depth_ = 1;
            captured_ += bracket;
            return true;
        }
        if (capturing()) {
            separate();
            captured_ += bracket;
            ++capture_depth_;
            return true;
        }
        JsonValue* added = add(kind, event_offset());
        if (added == nullptr) {
            return false;
        }
        // Stays valid: while a value is open, nothing is appended beside it.
        open_.push_back(added);
        return true;
    }

    bool end(char bracket) {
        if (capturing()) {
            captured_ += bracket;
            if (--capture_depth_ == 0) {
                key_ = capture_key_;
                JsonValue* added = add(capture_kind_, capture_offset_);
                if (added == nullptr) {
                    return false;
                }
                added->text = std::move(captured_);
                captured_.clear();
            }
            return true;
        }
        if (bracket == '}') {
            refuse_duplicates(*open_.back());
        }
        open_.pop_back();
        return true;
    }

    void refuse_duplicates(JsonValue& object) {
        std::vector<JsonValue>& items = object.items;
        std::vector<size_t> order(items.size());
        for (size_t i = 0; i < order.size(); ++i) {
            order[i] = i;
        }
        std::stable_sort(order.begin(), order.end(),
                         [&](size_t a, size_t b) { return items[a].key < items[b].key; });
        std::vector<bool> drop(items.size(), false);
        bool any = false;
        for (size_t i = 1, first = 0; i < order.size(); ++i) {
            if (items[order[i]].key != items[order[first]].key) {
                first = i;
                continue;
            }
            const JsonValue& again = items[order[i]];
            problems_.add(place_of_key(place(), again.key), again.offset,
                          "stands here again, first at " +
                              line_and_column(text_, items[order[first]].offset) +
                              "; keep one of them");
            drop[order[i]] = any = true;
        }
        if (any) {
            size_t kept = 0;
            for (size_t i = 0; i < items.size(); ++i) {
                if (!drop[i]) {
                    if (kept != i) {
                        items[kept] = std::move(items[i]);
                    }
                    ++kept;
                }
            }
            items.resize(kept);
        }
    }

    std::string_view text_;
    const std::vector<Repair>& repairs_;
    KeepVerbatim keep_verbatim_;
    Problems& problems_;

    JsonValue root_;
    std::vector<JsonValue*> open_;  // arrays and objects not yet closed, the root first
    std::string key_;               // of the value to come
    size_t values_ = 0;

    size_t capture_depth_ = 0;
    size_t capture_offset_ = 0;
    JsonValue::Kind capture_kind_ = JsonValue::Kind::null;
    std::string capture_key_;
    std::string captured_;
};

}  // namespace

const JsonValue* JsonValue::find(std::string_view name) const {
    for (const JsonValue& item : items) {
        if (item.key == name) {
            return &item;
        }
    }
    return nullptr;
}

std::string_view name_of(JsonValue::Kind kind) {
    switch (kind) {
        case JsonValue::Kind::null:
            return "null";
        case JsonValue::Kind::boolean:
            return "true or false";
        case JsonValue::Kind::number:
            return "a number";
        case JsonValue::Kind::string:
            return "text";
        case JsonValue::Kind::array:
            return "an array";
        case JsonValue::Kind::object:
            break;
    }
    return "an object";
}

std::string json_quoted(std::string_view utf8) { return json(utf8).dump(); }

JsonValue parse_json(std::string_view text, KeepVerbatim keep_verbatim, Problems& problems) {
    const size_t good = std::min(valid_utf8_prefix(text), text.find('\0'));
    if (good < text.size()) {
        problems.add("", good,
                     "is not UTF-8 text at " + line_and_column(text, good) + " (byte " +
                         escaped(text.substr(good, 1)) + "); save it as UTF-8");
        problems.throw_if_any();
    }
    // Numbers that are not finite end the parser's work. Each is overwritten by as long a zero in a
    // copy, remembered, and the parsing done again, so that the others are found too.
    std::string patched;
    std::vector<Repair> repairs;
    while (true) {
        const std::string_view current = repairs.empty() ? text : std::string_view(patched);
        Problems attempt = problems;
        Builder builder(current, repairs, keep_verbatim, attempt);
        const bool complete = json::sax_parse(
            CountingIterator(current.data(), &builder.consumed),
            CountingIterator(current.data() + current.size(), &builder.consumed), &builder);
        if (builder.wanted_repair && repairs.size() < kMostRepairs) {
            if (repairs.empty()) {
                patched = text;
            }
            const Repair repair = *builder.wanted_repair;
            const size_t length = repair.end - repair.begin;
            patched.replace(repair.begin, length, "0." + std::string(length - 2, '0'));
            repairs.push_back(repair);
            continue;
        }
        if (builder.wanted_repair) {
            builder.fail(builder.wanted_repair->begin,
                         "holds too many numbers that are not finite; write finite numbers");
        }
        problems = attempt;
        if (!complete) {
            problems.throw_if_any();
        }
        return builder.take_root();
    }
}

}  // namespace broadloom
