import java.io.File;
import org.apache.pdfbox.preflight.PreflightDocument;
import org.apache.pdfbox.preflight.ValidationResult;
import org.apache.pdfbox.preflight.exception.SyntaxValidationException;
import org.apache.pdfbox.preflight.parser.PreflightParser;

/** Prints "valid" or each fault of a PDF/A-1b file. */
class Preflight {
    public static void main(String[] names) throws Exception {
        for (String name : names) {
            ValidationResult result;
            PreflightParser parser = new PreflightParser(new File(name));
            try {
                parser.parse();
                try (PreflightDocument document = parser.getPreflightDocument()) {
                    document.validate();
                    result = document.getResult();
                }
            } catch (SyntaxValidationException fault) {
                result = fault.getResult();
            }
            System.out.println(name + (result.isValid() ? " valid" : " faulty"));
            for (ValidationResult.ValidationError fault : result.getErrorsList()) {
                System.out.println("  " + fault.getErrorCode() + " " + fault.getDetails());
            }
        }
    }
}
