/// Text of unknown origin made fit for a web page. Every function takes UTF-8; each maximal invalid
/// part becomes U+FFFD (the practice recommended by The Unicode Standard, section 3.9).
#pragma once

#include <string>
#include <string_view>

namespace broadloom {

/// The text with invalid parts replaced.
std::string repair_utf8(std::string_view text);

/// For an element's content or a quoted attribute: & < > " ' as character references; control
/// characters (newlines and tabs too) become spaces.
std::string html_text(std::string_view text);

/// A JSON string with its quotes (RFC 8259) that may also stand inside a <script> element: besides
/// what JSON asks for, < > & U+007F U+2028 U+2029 are written as \uXXXX.
std::string json_string(std::string_view text);

/// A relative URL path: everything but letters, digits and - . _ ~ / is percent-encoded (RFC 3986,
/// section 2.3).
std::string url_path(std::string_view text);

/// The shortest decimal that reads back as the same double (JSON form). Throws Error{internal} for
/// infinities and NaN.
std::string json_number(double value);

}  // namespace broadloom
