#include "sequences/report/hover.hpp"

#include <gmock/gmock.h>
#include <openssl/evp.h>

#include <array>

#include "sequences/report/svg_plot.hpp"

namespace nightbench::report {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

std::string sha256_base64(const std::string& text) {
  std::array<unsigned char, EVP_MAX_MD_SIZE> digest{};
  unsigned int size = 0;
  EVP_Digest(text.data(), text.size(), digest.data(), &size, EVP_sha256(), nullptr);
  std::array<unsigned char, 128> out{};
  const int length = EVP_EncodeBlock(out.data(), digest.data(), static_cast<int>(size));
  return {out.begin(), out.begin() + length};
}

TEST(Hover, TheHashIsThatOfTheScript) {  // CSP level 3, 6.7.2.3: base64 of the SHA-256
  EXPECT_EQ(sha256_base64(""), "47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=");  // FIPS 180-4
  EXPECT_EQ(hover_script_sha256(), sha256_base64(hover_script()));
}

TEST(Hover, TheScriptIsXmlTextAndNamesNoAddress) {
  EXPECT_EQ(hover_script().find_first_of("<&"), std::string::npos);
  EXPECT_THAT(hover_script(), Not(HasSubstr("http")));
  EXPECT_THAT(hover_script(), Not(HasSubstr("innerHTML")));
}

TEST(Hover, APlotCarriesEveryPointAndWhatIsMissing) {
  Plot plot;
  plot.values = true;
  Series& series = plot.series.emplace_back();
  for (int i = 0; i < 200; ++i) {
    PlotPoint& point = series.points.emplace_back();
    point.x = i;
    if (i != 7) point.y = i % 5;
    point.note = "place " + std::to_string(i) + "\n\"quoted\" <b>";
  }
  const std::string svg = svg_element(plot);
  const std::size_t from = svg.find(" data-points=\"");
  ASSERT_NE(from, std::string::npos);
  const std::string data = svg.substr(from + 14, svg.find('"', from + 14) - from - 14);
  std::size_t lines = 1;
  for (std::size_t at = data.find("&#10;"); at != std::string::npos;
       at = data.find("&#10;", at + 1))
    ++lines;
  EXPECT_EQ(lines, 200U);
  EXPECT_THAT(data, HasSubstr(" 0 place 7 &quot;quoted&quot; &lt;b&gt;"));
  EXPECT_EQ(data.find('\n'), std::string::npos);
  plot.values = false;
  EXPECT_THAT(svg_element(plot), Not(HasSubstr("data-points")));
}

}  // namespace
}  // namespace nightbench::report
